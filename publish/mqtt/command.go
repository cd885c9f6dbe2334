package mqtt

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"
	"unicode/utf8"

	paho "github.com/eclipse/paho.mqtt.golang"

	"holdbell/rules"
)

const (
	maxCommand  = 4 << 10 // bytes of one mark
	maxCommands = 16      // marks that wait
	markTimeout = 15 * time.Second
)

// answer is command/mark/answer.
type answer struct {
	ID    string `json:"id"`
	OK    bool   `json:"ok"`
	Text  string `json:"text"`
	Field string `json:"field,omitempty"` // which field was wrong
}

// take is the library's handler: it must not wait, nor publish. A retained mark is an old one that the
// broker repeats at every connect, so it counts as nothing.
func (c *Client) take(_ paho.Client, m paho.Message) {
	if m.Retained() {
		c.rare.Warn("a retained mark is ignored; send marks without the retain flag", "topic", m.Topic())
		return
	}
	p := m.Payload()
	select {
	case c.commands <- bytes.Clone(p[:min(len(p), maxCommand+1)]):
	default:
		c.rare.Warn("too many marks wait; one was not taken and gets no answer", "waiting", maxCommands)
	}
}

// obey takes marks one by one, and answers each, until ctx ends.
func (c *Client) obey(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case payload := <-c.commands:
			a, cancel := context.WithTimeout(ctx, markTimeout)
			c.reply(a, c.mark(a, payload))
			cancel()
		}
	}
}

// mark brings one mark to the rules.
func (c *Client) mark(ctx context.Context, payload []byte) answer {
	f, err := decodeMark(payload)
	if err != nil {
		return answer{Text: err.Error()}
	}
	m, err := rules.ParseMark(f)
	if err != nil {
		a := answer{ID: f.ID, Text: err.Error()}
		if e := new(rules.MarkError); errors.As(err, &e) {
			a.Field = e.Field
		}
		return a
	}
	text, err := c.o.Mark(ctx, m)
	if err != nil {
		return answer{ID: f.ID, Text: err.Error()}
	}
	return answer{ID: f.ID, OK: true, Text: text}
}

func (c *Client) reply(ctx context.Context, a answer) {
	payload, err := json.Marshal(a)
	if err == nil {
		var l *link
		if l, err = c.connected(ctx); err == nil {
			err = l.publish(ctx, message{topic: c.topics.answer(), payload: payload})
		}
	}
	if err != nil && ctx.Err() == nil {
		c.o.Log.Warn("the answer to a mark was lost", "id", a.ID, "err", err)
	}
}

// decodeMark reads a mark as JSON: one object, of known keys, in UTF-8. What it means is ParseMark's to say.
func decodeMark(payload []byte) (rules.MarkFields, error) {
	var f rules.MarkFields
	switch {
	case len(payload) > maxCommand:
		return f, fmt.Errorf("the mark has more than %d bytes; shorten its note", maxCommand)
	case !utf8.Valid(payload):
		return f, errors.New("the mark is not valid UTF-8; send it as UTF-8")
	case !bytes.HasPrefix(bytes.TrimLeft(payload, " \t\r\n"), []byte("{")):
		return f, errors.New(`the mark is no JSON object; write it like {"mark":"check","lot":"brisket 1","celsius":68.5,"by":"Ada","id":"a1"}`)
	}
	d := json.NewDecoder(bytes.NewReader(payload))
	d.DisallowUnknownFields()
	if err := d.Decode(&f); err != nil {
		return rules.MarkFields{}, fmt.Errorf("the mark is not understood: %w; its keys are lot, mark, station, note, by, id, celsius and fahrenheit", err)
	}
	if _, err := d.Token(); err != io.EOF {
		return rules.MarkFields{}, errors.New("the message holds more than one mark; send one object in each message")
	}
	return f, nil
}
