package remotewrite

import (
	"net/http"
	"strings"
	"testing"
	"testing/synctest"
	"time"
)

// A clock a year wrong, here or at the receiver, is named; the seconds that a date and a slow answer make are not.
func TestClocksApart(t *testing.T) {
	const year = 365 * 24 * time.Hour
	for _, c := range []struct {
		name  string
		apart time.Duration // the receiver's clock less the board's
		says  string
	}{
		{"ahead", -year, "the board's clock is 365 d ahead of the receiver's: see which is wrong"},
		{"behind", year, "the board's clock is 365 d behind the receiver's: see which is wrong"},
		{"an hour", time.Hour, "the board's clock is 1 h behind the receiver's"},
		{"a slow answer", 4 * time.Minute, "the receiver takes the readings"},
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				b := newBoard(t)
				b.far.answer = func(http.Header, []got) says {
					return says{status: http.StatusNoContent, header: http.Header{"Date": {time.Now().Add(c.apart).UTC().Format(http.TimeFormat)}}}
				}
				w, stop := b.start()
				b.goOn(time.Minute)
				f := w.Figures()
				stop()
				text, trouble := f.Words()
				if !strings.HasPrefix(text, c.says) || trouble == strings.HasPrefix(text, "the receiver takes") {
					t.Errorf("%q, trouble %v", text, trouble)
				}
				if f.Apart == nil || (*f.Apart+c.apart).Abs() > 2*time.Second {
					t.Errorf("apart by %v", f.Apart)
				}
			})
		})
	}
	// A board whose clock is not known yet has nothing to compare.
	synctest.Test(t, func(t *testing.T) {
		b := newBoard(t)
		b.believed = false
		w, stop := b.start()
		b.goOn(time.Minute)
		stop()
		if f := w.Figures(); f.Apart != nil {
			t.Errorf("apart by %v", *f.Apart)
		}
	})
}
