package daemon

import (
	"context"
	"io"
	"slices"
	"time"

	"holdbell/cmd/internal/records"
	"holdbell/configs"
	"holdbell/publish/page"
	"holdbell/rules"
	"holdbell/sensor"
)

// papers makes documents of the record for the page, with the rules as they are configured now.
type papers struct {
	d    *Daemon
	cfg  *configs.Config
	zone *time.Location
}

// Lots implements page.Papers.
func (p *papers) Lots(ctx context.Context) ([]string, error) {
	events, err := p.d.record.ledger.EventsWithin(ctx, time.Time{}, time.Time{}, rules.LotBegun)
	if err != nil {
		return nil, err
	}
	var names []string
	for i := range slices.Backward(events) {
		at := events[i].At
		if !events[i].Since.IsZero() {
			at = events[i].Since
		}
		y, m, day := at.Wall.In(p.zone).Date()
		name := records.Name{Lot: events[i].Lot, Date: time.Date(y, m, day, 0, 0, 0, 0, p.zone)}.String()
		if !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return names, nil
}

func (p *papers) compare(ctx context.Context, a, b string) (*records.Comparison, error) {
	setup, err := p.cfg.Setup()
	if err != nil {
		return nil, err
	}
	o := records.Options{Setup: &setup, Trace: true}
	for _, s := range []string{a, b} {
		name, err := records.ParseName(s, p.zone)
		if err != nil {
			return nil, err
		}
		o.Lots = append(o.Lots, name)
	}
	return records.Compare(ctx, p.d.record.ledger, o, p.zone)
}

// Compare implements page.Papers.
func (p *papers) Compare(ctx context.Context, a, b string, u rules.Units) (*page.Sides, error) {
	c, err := p.compare(ctx, a, b)
	if err != nil {
		return nil, err
	}
	c.Units = u
	s := &page.Sides{Notes: c.Notes}
	s.Rows, s.Names = c.Table(p.zone)
	s.Hot, s.Cold = c.Bound()
	for i := range s.Lines {
		c.Trace(i, func(since time.Duration, t *sensor.Temp) {
			s.Lines[i] = append(s.Lines[i], page.Point{Since: since, Temp: t})
		})
	}
	return s, nil
}

// PrintSides implements page.Papers.
func (p *papers) PrintSides(ctx context.Context, w io.Writer, a, b string) error {
	c, err := p.compare(ctx, a, b)
	if err != nil {
		return err
	}
	return c.HTML(w, p.zone)
}

// PrintSpan implements page.Papers.
func (p *papers) PrintSpan(ctx context.Context, w io.Writer, from, to time.Time) error {
	setup, err := p.cfg.Setup()
	if err != nil {
		return err
	}
	r, err := records.Read(ctx, p.d.record.ledger, records.Options{From: from, To: to, Setup: &setup, Trace: true})
	if err != nil {
		return err
	}
	return r.HTML(w, p.zone)
}
