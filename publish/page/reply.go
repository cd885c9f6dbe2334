package page

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/binary"
	"net/http"
	"strconv"
	"strings"

	"holdbell/rules"
)

// replyPath is where a message's own button leads.
const replyPath = "/reply/"

// replyBytes of an HMAC are enough that nobody guesses one for an alarm.
const replyBytes = 12

// ReplyPath is the path that acknowledges one alarm, the one which the event seq of a ledger raised, and
// does nothing else. Whoever holds it needs no login: it goes out with the alarm's message. It is good for
// as long as key is kept.
func ReplyPath(key []byte, ledger string, seq uint64) string {
	mac := hmac.New(sha256.New, key)
	mac.Write(binary.BigEndian.AppendUint64(nil, seq))
	mac.Write([]byte(ledger))
	return replyPath + ledger + "." + strconv.FormatUint(seq, 10) + "." + base64.RawURLEncoding.EncodeToString(mac.Sum(nil)[:replyBytes])
}

// replyView is the small page behind such a path.
type replyView struct {
	Path  string
	Text  string // the alarm's sentence; empty: none is to be acknowledged
	Done  string // what was done, or why there is nothing to do
	Error string
}

const (
	replyUnknown = "This button belongs to no alarm of this board, or was made before it was last started. Open the page."
	replyOver    = "This alarm is over."
	replyTaken   = "Acknowledged. The clocks run on; the alarm rings again if it gets worse."
)

// replied finds the alarm that a path speaks of. known is false where the path is none of ours.
func (p *Page) replied(r *http.Request) (a *rules.AlarmState, known bool) {
	rest, seqWord, ok := strings.Cut(strings.TrimPrefix(r.URL.Path, replyPath), ".")
	word, _, ok2 := strings.Cut(seqWord, ".")
	seq, err := strconv.ParseUint(word, 10, 64)
	if !ok || !ok2 || err != nil || !hmac.Equal([]byte(r.URL.Path), []byte(ReplyPath(p.opt.ReplyKey, rest, seq))) {
		return nil, false
	}
	st := p.state.Load()
	if st == nil {
		return nil, true
	}
	for i := range st.Alarms {
		if st.Alarms[i].Seq == seq {
			return &st.Alarms[i], true
		}
	}
	return nil, true
}

// serveReply shows the alarm and one button: a link that is merely opened, by a person or by a program that
// looks ahead, acknowledges nothing.
func (p *Page) serveReply(w http.ResponseWriter, r *http.Request) {
	a, known := p.replied(r)
	var v replyView
	status := http.StatusOK
	switch {
	case !known:
		status, v.Error = http.StatusNotFound, replyUnknown
	case a == nil:
		v.Done = replyOver
	case answered(a):
		v.Done = alreadyAnswered(a)
	default:
		v.Text = a.Text
	}
	p.renderReply(w, r, status, v)
}

// takeReply acknowledges.
func (p *Page) takeReply(w http.ResponseWriter, r *http.Request) {
	a, known := p.replied(r)
	var v replyView
	switch {
	case !known:
		v.Error = replyUnknown
		p.renderReply(w, r, http.StatusNotFound, v)
		return
	case a == nil:
		v.Done = replyOver
	case answered(a):
		v.Done = alreadyAnswered(a)
	default:
		_, err := p.submit(r.Context(), rules.Mark{Kind: rules.MarkAcknowledge, Station: a.Station, Lot: a.Lot, Probe: a.Probe,
			Alarm: a.Alarm, By: "by phone", ID: p.newID()})
		if err != nil {
			no, _ := refusal(err)
			v.Text, v.Error = a.Text, no.Text
			p.renderReply(w, r, no.Status, v)
			return
		}
		v.Done = replyTaken
	}
	p.renderReply(w, r, http.StatusOK, v)
}

func (p *Page) renderReply(w http.ResponseWriter, r *http.Request, status int, view replyView) {
	l := p.lookOf(w, r, "reply")
	v := p.sheet(r, l, nil)
	// Who came by a button of a message needs no login, and is asked for none.
	v.Marks, v.SignIn, v.NoMarks = false, false, ""
	v.Heading, v.Title = p.label["reply"], p.label["acknowledge"]
	if view.Done != "" {
		v.Title = p.label["answered"]
	}
	view.Path = r.URL.Path
	v.Static = view
	p.render(w, r, status, "reply", v)
}

// answered reports whether nobody has to acknowledge a any more.
func answered(a *rules.AlarmState) bool {
	return a.Status != rules.Unacknowledged && a.Status != rules.Returned
}

func alreadyAnswered(a *rules.AlarmState) string {
	if a.AckBy != "" {
		return "It was acknowledged already, by " + a.AckBy + "."
	}
	return "It was acknowledged already."
}
