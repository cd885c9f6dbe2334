package page

import (
	"bytes"
	"encoding/json"
	"fmt"
	"html/template"
	"sync"
	"time"

	"holdbell/sensor"
)

// part is one element of a region: a ticket, a card, a line. Its key is the element's id.
type part struct{ key, html string }

// region is a place on a page whose parts come, go and change order.
type region struct {
	id    string
	parts []part
}

// frame is what a view shows at one moment, drawn once for all who look at it.
type frame struct {
	serial  uint64
	title   string
	heading string
	age     *float64 // seconds since the last sweep
	stale   bool
	gone    bool // the lot or station is not there
	regions []region

	mu    sync.Mutex
	diffs map[uint64][]byte // what changed since the frame with that serial, as a message
}

// drawing fills a frame.
type drawing struct {
	parts *template.Template
	label map[string]string
	f     *frame
	buf   bytes.Buffer
	err   error
}

// region begins a region. The parts that follow are in it.
func (d *drawing) region(id string) { d.f.regions = append(d.f.regions, region{id: id}) }

// part draws one element with the template of that name.
func (d *drawing) part(name, key string, data any) {
	d.buf.Reset()
	if err := d.parts.ExecuteTemplate(&d.buf, name, data); err != nil && d.err == nil {
		d.err = err
	}
	r := &d.f.regions[len(d.f.regions)-1]
	r.parts = append(r.parts, part{key, string(bytes.TrimSpace(d.buf.Bytes()))})
}

// nothing is a line that says why a region has no parts.
func (d *drawing) nothing(label string) {
	r := &d.f.regions[len(d.f.regions)-1]
	id := r.id + "-nothing"
	d.part("nothing", id, struct{ ID, Text string }{id, d.label[label]})
}

// draw draws what a look shows at now.
func (p *Page) draw(l look, now sensor.Instant) (*frame, error) {
	s := p.scene(l, now)
	f := &frame{serial: p.serial.Add(1), stale: s.stale != "", diffs: map[uint64][]byte{}}
	if s.st != nil {
		f.age, f.heading = ageOf(now, s.st.At), s.st.Site
	}
	d := &drawing{parts: p.parts, label: p.label, f: f}
	d.region("notices")
	if s.stale != "" {
		d.part("stale", "stale", s.stale)
	}
	if !now.Believed {
		d.part("doubt", "doubt", nil)
	}
	var counts []count
	counts, f.title = s.counts()
	d.region("counts")
	for _, c := range counts {
		d.part("count", c.ID, c)
	}
	switch l.view {
	case "rail":
		p.drawRail(d, s)
	case "station":
		p.drawStation(d, s, l.name)
	case "lot":
		p.drawLot(d, s, l.name)
	case "alarms":
		p.drawAlarms(d, s)
	case "board":
		p.drawBoard(d, s)
	}
	if d.err != nil {
		return nil, fmt.Errorf("page: %w", d.err)
	}
	return f, nil
}

// message is what goes to an open page: the title and the age, and of the regions what changed.
type message struct {
	Title   string          `json:"title"`
	Age     *float64        `json:"age"`
	Stale   bool            `json:"stale"`
	Regions []regionMessage `json:"regions,omitempty"`
}

type regionMessage struct {
	ID    string            `json:"id"`
	Order []string          `json:"order"`
	Parts map[string]string `json:"parts"` // the elements that are new or different
}

// since gives the message that brings a page from one frame to this one; from nil, all of it. It is made
// once for all pages that saw the same.
func (f *frame) since(from *frame) ([]byte, error) {
	serial := uint64(0)
	if from != nil {
		serial = from.serial
	}
	f.mu.Lock()
	defer f.mu.Unlock()
	if b, ok := f.diffs[serial]; ok {
		return b, nil
	}
	m := message{Title: f.title, Age: f.age, Stale: f.stale}
	for i := range f.regions {
		var was *region
		if from != nil {
			was = &from.regions[i]
		}
		if c, changed := f.regions[i].since(was); changed {
			m.Regions = append(m.Regions, c)
		}
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	// It goes to a script and never into a page's source, so that nothing has to be escaped twice.
	e.SetEscapeHTML(false)
	if err := e.Encode(m); err != nil {
		return nil, fmt.Errorf("page: %w", err)
	}
	f.diffs[serial] = b.Bytes()
	return b.Bytes(), nil
}

// since gives what a region holds that it did not hold before; all of it when was is nil.
func (r *region) since(was *region) (m regionMessage, changed bool) {
	m = regionMessage{ID: r.id, Order: []string{}, Parts: map[string]string{}}
	old := map[string]string{}
	if was != nil {
		for _, x := range was.parts {
			old[x.key] = x.html
		}
	}
	changed = was == nil || len(was.parts) != len(r.parts)
	for i, x := range r.parts {
		m.Order = append(m.Order, x.key)
		if h, ok := old[x.key]; !ok || h != x.html {
			m.Parts[x.key] = x.html
			changed = true
		} else if !changed && was.parts[i].key != x.key {
			changed = true
		}
	}
	return m, changed
}

// html gives the regions for a page that is sent whole.
func (f *frame) html() map[string]template.HTML {
	all := make(map[string]template.HTML, len(f.regions))
	for _, r := range f.regions {
		var b bytes.Buffer
		for _, x := range r.parts {
			b.WriteString(x.html)
			b.WriteByte('\n')
		}
		// Every part came out of a template that escapes.
		all[r.id] = template.HTML(b.String())
	}
	return all
}

// memo is the newest frame of one look, shared by who looks.
type memo struct {
	mu      sync.Mutex
	f       *frame
	version uint64
	drawn   time.Time
	lookers int // guarded by Page.hub.mu
}
