// Keeps an open page in step with the board. What it is told are elements made by the server; it puts them
// where they belong and leaves alone what a person is using: open details, typed words, the focus.

const body = document.body;
const ageLine = document.getElementById("age");
const offline = document.getElementById("offline");
const say = document.getElementById("say");
const formID = body.dataset.form;
// What stands for a form's id in what several pages share.
const formIDPlace = "\ue000";
// No word from the board for so long means that the connection is lost.
const patience = 4000;

// now moves forward only, whatever is done to this device's clock; asleep, some devices stop one of the two.
let floor = 0;
const began = { wall: Date.now(), mono: performance.now() };
function now() {
  floor = Math.max(floor, Date.now() - began.wall, performance.now() - began.mono);
  return floor;
}

let source = null;
let retry = 0;
let heardAt = now();
let age = ageLine.dataset.age === undefined ? null : Number(ageLine.dataset.age);
let title = "";

// words writes a number of seconds as the server does.
function words(seconds) {
  const s = Math.max(0, Math.floor(seconds)), min = Math.floor(s / 60), h = Math.floor(min / 60);
  if (s < 120) return s + " s";
  if (h < 1) return min + " min";
  if (h < 48) return (h + " h " + (min % 60) + " min").replace(/ 0 min$/, "");
  return (Math.floor(h / 24) + " d " + (h % 24) + " h").replace(/ 0 h$/, "");
}

function tick() {
  const silent = now() - heardAt, lost = silent > patience;
  if (age !== null) {
    const text = words(age + silent / 1000);
    set(ageLine.querySelector(".ago"), text + " ago");
    set(offline.querySelector(".ago"), text);
  }
  if (offline.hidden === lost) {
    offline.hidden = !lost;
    body.classList.toggle("lost", lost);
    // Filled in now, so that it is read out now.
    offline.querySelector("[role=alert]").textContent = lost ? document.getElementById("offline-word").content.textContent : "";
  }
  const alive = ageLine.querySelector(".alive");
  if (alive) alive.hidden = lost || source === null || source.readyState !== EventSource.OPEN;
  if (silent > 10000 && source !== null && source.readyState !== EventSource.CONNECTING) connect();
}

function set(element, text) {
  if (element && element.textContent !== text) element.textContent = text;
}

// signature says which element of the new ones an old one is.
function signature(node) {
  if (node.nodeType !== Node.ELEMENT_NODE) return "#" + node.nodeType;
  return node.id || node.localName + "." + (node.getAttribute("class") || "").split(" ")[0];
}

// morph makes an element the same as another one without replacing what can stay.
function morph(old, fresh) {
  for (const a of [...old.attributes]) {
    if (!fresh.hasAttribute(a.name) && !(a.name === "open" && old.localName === "details")) old.removeAttribute(a.name);
  }
  for (const a of fresh.attributes) {
    if (old.getAttribute(a.name) !== a.value) old.setAttribute(a.name, a.value);
  }
  const have = new Map();
  for (const c of old.childNodes) {
    const s = signature(c);
    if (!have.has(s)) have.set(s, []);
    have.get(s).push(c);
  }
  let place = old.firstChild;
  for (const c of [...fresh.childNodes]) {
    const same = (have.get(signature(c)) || []).shift();
    if (!same) {
      old.insertBefore(c, place);
      continue;
    }
    if (c.nodeType === Node.ELEMENT_NODE && same.localName === c.localName) morph(same, c);
    else if (same.nodeValue !== c.nodeValue) same.nodeValue = c.nodeValue;
    if (same === place) place = place.nextSibling;
    else old.insertBefore(same, place);
  }
  for (const rest of have.values()) for (const c of rest) c.remove();
}

function parse(html) {
  const t = document.createElement("template");
  // A row of a table may stand in a template by itself.
  t.innerHTML = html.replaceAll(formIDPlace, formID);
  return t.content.firstElementChild;
}

// update brings a region to the order told; at the end it holds these elements and no others.
function update(region) {
  const root = document.querySelector(`[data-region="${region.id}"]`);
  if (!root) return;
  const have = new Map([...root.children].map((c) => [c.id, c]));
  let place = root.firstElementChild;
  for (const key of region.order) {
    let element = have.get(key);
    have.delete(key);
    if (region.parts[key] !== undefined) {
      const fresh = parse(region.parts[key]);
      if (element) morph(element, fresh);
      else element = fresh;
    }
    if (!element) continue;
    if (element === place) place = place.nextElementSibling;
    else root.insertBefore(element, place);
  }
  for (const gone of have.values()) gone.remove();
}

function hear(event) {
  const told = JSON.parse(event.data);
  const focus = document.activeElement;
  heardAt = now();
  retry = 0;
  age = told.age;
  for (const region of told.regions || []) update(region);
  body.classList.toggle("stale", told.stale);
  // Moving a ticket takes the focus off it.
  if (focus && focus !== body && focus !== document.activeElement && focus.isConnected) focus.focus({ preventScroll: true });
  if (told.title !== title) {
    document.title = told.title + document.title.slice(document.title.lastIndexOf(" · "));
    if (title !== "") say.textContent = told.title;
    title = told.title;
  }
  sign();
  tick();
}

// sign puts the name that was signed with last where a name is asked for and none was typed.
function sign() {
  const kept = document.cookie.split("; ").find((c) => c.startsWith("by="));
  if (!kept) return;
  let by = kept.slice(3);
  try { by = decodeURIComponent(decodeURIComponent(by).replaceAll("+", " ")); } catch { return; }
  for (const input of document.querySelectorAll('[data-region] input[name="by"]')) {
    if (input.dataset.signed === undefined && input.value === "" && input !== document.activeElement) {
      input.value = by;
      input.dataset.signed = "";
    }
  }
}

function connect() {
  if (source) source.close();
  source = new EventSource(body.dataset.live);
  source.onmessage = hear;
  source.onerror = () => {
    // A browser tries again by itself unless it was told no: then this does, more and more slowly.
    if (source.readyState !== EventSource.CLOSED) return;
    retry = Math.min(retry + 1, 10);
    setTimeout(connect, 1000 * retry);
  };
}

// A device that wakes up, or a page that is gone back to, wants the present at once.
document.addEventListener("visibilitychange", () => {
  if (!document.hidden && now() - heardAt > patience) connect();
});
window.addEventListener("pageshow", (event) => {
  if (event.persisted) connect();
});
window.addEventListener("online", connect);

sign();
connect();
setInterval(tick, 1000);
