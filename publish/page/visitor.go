package page

import (
	"net/http"

	"holdbell/rules"
)

// Visitor is what the daemon's doors know of who sends a request.
type Visitor struct {
	MayMark bool
	Why     string // why not, and what mends it, in whole sentences for the person; empty when MayMark
	By      string // the name they signed in with, the default signature of their marks; empty where none is known
	SignIn  bool   // a token typed at /sign-in would do
}

// LocalVisitor lets requests mark that LocalOnly accepts.
func LocalVisitor(r *http.Request) Visitor {
	if LocalOnly(r) {
		return Visitor{MayMark: true}
	}
	return Visitor{Why: notTaken}
}

const (
	notTaken   = "Marks are not taken from here; make them on the board itself, with holdbell mark, or after a login."
	nobodyHere = "Marks are not taken here: this page only shows."
)

// visitor is who sends r, as far as marks go.
func (p *Page) visitor(r *http.Request) Visitor {
	if p.opt.Mark == nil {
		return Visitor{Why: nobodyHere}
	}
	return p.opt.Visitor(r)
}

// sign gives a mark without a name the one that its sender signed in with. Initials that were typed stand.
func (v Visitor) sign(f *rules.MarkFields) {
	if f.By == "" {
		f.By = v.By
	}
}
