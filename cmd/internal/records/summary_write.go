package records

import (
	"encoding/csv"
	"fmt"
	"io"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"holdbell/rules"
)

// dayColumns are the columns of a line a day. In the short form a bar breaks the line of a terminal's heading.
var dayColumns = [...]struct{ long, short string }{
	{"Day", "day"}, {"Lots begun", "lots|be-|gun"}, {"Lots ended OK", "en-|ded|OK"}, {"Lots ended act", "act"}, {"Lots ended discard", "dis-|card"},
	{"Hand checks", "hand|checks"}, {"Corrective actions", "cor-|rec."}, {"Critical alarms", "crit-|ical|alarm"}, {"Warnings", "warn-|ings"},
	{"Of these nobody answered", "not|ackn."}, {"Longest to an answer", "longest|to ackn.|h:mm"}, {"Without readings", "without|reading|h:mm"}, {"Probes calibrated", "cali-|br."}}

const (
	noRecord   = "no record"
	answerHead = "What somebody has to answer for"
	whenLate   = "A critical alarm is named when nobody acknowledged it, or later than 15 min (common practice); a gap when it is longer than the allowance of "
	noOverdue  = "Whether a calibration is overdue, and when a probe was silent, is not known without the configuration (--config FILE)."
)

// cells is a row under dayColumns, from the second on.
func (d *day) cells() []string {
	var cells []string
	for _, n := range []int{d.begun, d.ok, d.act, d.discard, d.checks, d.corrective, d.critical, d.warning, d.unanswered} {
		cells = append(cells, strconv.Itoa(n))
	}
	slowest, unread := "-", hours(d.unread)
	if d.slowest > 0 {
		slowest = hours(d.slowest)
	}
	if d.lost {
		unread = "unknown"
	}
	return append(cells, slowest, unread, strconv.Itoa(d.calibrated))
}

// hours writes a duration as a table has it; what is begun of a minute counts, so that a little is not nothing.
func hours(d time.Duration) string {
	m := int64((d + time.Minute - 1) / time.Minute)
	return fmt.Sprintf("%d:%02d", m/60, m%60)
}

// totalName heads the last line, which leaves out what has no record.
func (s *Summary) totalName() (string, day) {
	t, missing := s.total()
	if missing > 0 {
		return fmt.Sprintf("%d of %d", len(s.days)-missing, len(s.days)), t
	}
	return "all", t
}

// words are those of the span's record, with its own title.
func (s *Summary) words(zone *time.Location) words {
	return words{newTimes(zone, s.r.From, s.r.To), s.r}
}

func (s *Summary) title() string {
	if s.r.Site != "" {
		return "Summary of " + s.r.Site
	}
	return "Summary"
}

// notes are what the reader has to know about the figures.
func (s *Summary) notes(t *words) []string {
	notes := append([]string{fmt.Sprintf("The record goes from %s to %s; this sheet tells of its span alone.", t.at(s.first), t.at(s.last))}, s.r.Doubts...)
	if _, missing := s.total(); missing > 0 {
		notes = append(notes, fmt.Sprintf("%d of %d days have no record: nobody can tell what happened, and the total leaves them out.", missing, len(s.days)))
	}
	if unknown := s.uncalibrated(); len(unknown) > 0 {
		notes = append(notes, "No calibration is known of: "+strings.Join(unknown, ", ")+".")
	}
	return notes
}

// rule says what is named, and what was not found.
func (s *Summary) rule() string {
	text := whenLate + rules.Words(s.r.allowance()) + ". A station's own watch counts as a lot."
	if s.r.setup == nil {
		text += " " + noOverdue
	}
	return text
}

// Text writes the summary for a terminal of 80 characters; nothing is left out of it.
func (s *Summary) Text(w io.Writer, zone *time.Location) error {
	p := newPage(w, zone, s.r.From, s.r.To)
	t := text{page: p, words: s.words(zone)}
	p.line(0, "", s.title())
	p.linef(0, "", "%s to %s, local time %s", p.at(s.r.From), p.at(s.r.To), zoneName(zone, s.r.From, s.r.To))
	if s.r.Code != "" {
		p.line(0, "", "Food code: "+t.words.code())
	}
	p.line(0, "", "Ledger "+t.words.source())
	p.line(0, "", "Chain "+t.words.links())
	for _, n := range s.notes(&t.words) {
		p.line(0, "Note: ", n)
	}
	p.blank()
	s.table(p)
	p.blank()
	p.line(0, "", strings.ToUpper(answerHead))
	var all []entry
	for i := range s.items {
		all = append(all, s.items[i].entry)
	}
	t.entries(all)
	if n := s.none(); n != "" {
		p.line(indent, "", n)
	}
	p.line(indent, "", s.rule())
	t.foot()
	p.line(0, "", review)
	return p.flush()
}

// table writes a line a day.
func (s *Summary) table(p *page) {
	rows := [][]string{}
	for line := range 3 {
		row := make([]string, len(dayColumns))
		for i, c := range dayColumns {
			lines := strings.Split(c.short, "|")
			if skip := 3 - len(lines); line >= skip {
				row[i] = lines[line-skip]
			}
		}
		rows = append(rows, row)
	}
	for i := range s.days {
		d := &s.days[i]
		row := []string{d.from.In(p.zone).Format("Mon 01-02"), noRecord}
		if d.recorded {
			row = append(row[:1], d.cells()...)
		}
		rows = append(rows, row)
	}
	name, total := s.totalName()
	rows = append(rows, append([]string{name}, total.cells()...))
	wide := make([]int, len(dayColumns))
	for _, row := range rows {
		for i, c := range row {
			if len(row) == len(dayColumns) {
				wide[i] = max(wide[i], utf8.RuneCountInString(c))
			}
		}
	}
	for _, row := range rows {
		line := fmt.Sprintf("%-9s", row[0])
		for i, c := range row[1:] {
			if len(row) < len(dayColumns) {
				line += " " + c
				continue
			}
			line += fmt.Sprintf(" %*s", wide[i+1], c)
		}
		p.write(strings.TrimRight(line, " "))
	}
}

// summaryColumns are one row's fields: a row a day, one for the total, then one for each thing to answer for.
var summaryColumns = []string{"ledger", "facility", "kind", "from", "to", "recorded", "lots_begun", "ended_ok", "ended_act", "ended_discard", "hand_checks", "corrective",
	"alarms_critical", "alarms_warning", "not_acknowledged", "longest_acknowledge_seconds", "without_readings_seconds", "calibrations", "what", "text", "observer", "done"}

// CSV writes the summary for a spreadsheet. A day without a record has no figures; a figure that nobody knows is empty.
func (s *Summary) CSV(w io.Writer, zone *time.Location) error {
	out := csv.NewWriter(w)
	if err := out.Write(summaryColumns); err != nil {
		return err
	}
	stamp := func(t time.Time) string { return t.In(zone).Format("2006-01-02T15:04:05Z07:00") }
	write := func(row map[string]string) error {
		row["ledger"], row["facility"] = s.r.Ledger, s.r.Site
		cells := make([]string, len(summaryColumns))
		for i, c := range summaryColumns {
			cells[i] = harmless(row[c])
		}
		return out.Write(cells)
	}
	figures := func(kind string, d *day) map[string]string {
		row := map[string]string{"kind": kind, "from": stamp(d.from), "to": stamp(d.to), "recorded": "no"}
		if !d.recorded {
			return row
		}
		row["recorded"] = "yes"
		cells := d.cells()
		for i, c := range summaryColumns[6:15] {
			row[c] = cells[i]
		}
		row["calibrations"] = strconv.Itoa(d.calibrated)
		if d.slowest > 0 {
			row["longest_acknowledge_seconds"] = strconv.FormatInt(int64(d.slowest.Seconds()), 10)
		}
		if !d.lost {
			row["without_readings_seconds"] = strconv.FormatInt(int64(d.unread.Seconds()), 10)
		}
		return row
	}
	for i := range s.days {
		if err := write(figures("day", &s.days[i])); err != nil {
			return err
		}
	}
	total, _ := s.total()
	total.from, total.to = s.r.From, s.days[len(s.days)-1].to
	if err := write(figures("total", &total)); err != nil {
		return err
	}
	for i := range s.items {
		x := &s.items[i]
		if err := write(map[string]string{"kind": "answer", "from": stamp(x.at), "what": x.head, "text": x.what + x.after, "observer": x.signed, "done": x.then}); err != nil {
			return err
		}
	}
	out.Flush()
	return out.Error()
}

// summarySheet is what the template of a summary draws.
type summarySheet struct {
	heading
	Facts                                           []fact
	Notes                                           []string
	Columns                                         []string
	Days                                            [][]string // without a record: the day alone
	Total                                           []string
	AnswerHead                                      string
	Answers                                         []row
	Left, None, Rule                                string
	NoRecord, Missing, Caution, Hand, Review, Chain string
}

// HTML writes the summary as one document, of at most two sheets of A4 or Letter. What does not fit is counted, with the
// command that tells it.
func (s *Summary) HTML(w io.Writer, zone *time.Location) error {
	t := s.words(zone)
	x := summarySheet{heading: heading{Title: s.title()}, Notes: s.notes(&t), AnswerHead: answerHead, None: s.none(), Rule: s.rule(),
		NoRecord: noRecord, Missing: missing, Caution: caution, Hand: handCaution, Review: review, Chain: t.chain()}
	from, to, local := t.at(s.r.From), t.at(s.r.To), zoneName(zone, s.r.From, s.r.To)
	x.Foot = fmt.Sprintf("%s, %s to %s, local time %s", x.Title, from, to, local)
	x.Facts = []fact{{"Site", orDash(s.r.Site)}, {"From", from}, {"To", to}, {"Local time", local}}
	if s.r.Code != "" {
		x.Facts = append(x.Facts, fact{"Food code", t.code()})
	}
	x.Facts = append(x.Facts, fact{"Ledger", t.source()}, fact{"Chain", t.links()})
	for _, c := range dayColumns {
		x.Columns = append(x.Columns, c.long)
	}
	for i := range s.days {
		d := &s.days[i]
		row := []string{d.from.In(zone).Format("Mon 2006-01-02")}
		if d.recorded {
			row = append(row, d.cells()...)
		}
		x.Days = append(x.Days, row)
	}
	name, total := s.totalName()
	x.Total = append([]string{"Total, " + name + " days"}, total.cells()...)
	taken := len(s.days)
	for _, n := range x.Notes {
		taken += linesOf(n)
	}
	shown, left := s.fit(room - taken)
	_, x.Answers, _ = rows(shown, &t, nil)
	if left != "" {
		x.Left = left + s.command(zone)
	}
	return render(w, "summary.html", x)
}

// How much the list of a summary may take: the lines that two sheets of Letter have beside the rest, and about how
// many characters fit on one.
const (
	room   = 122
	across = 115
)

// fit takes the items that have room, the weighty ones first, in order of time. left counts the others by their sort.
func (s *Summary) fit(lines int) (shown []entry, left string) {
	var out [sorts]int
	keep := make([]bool, len(s.items))
	for k := range sorts {
		for i := range s.items {
			x := &s.items[i]
			if x.sort != k {
				continue
			}
			if lines -= linesOf(x.what + x.signed + x.after + x.then); lines < 0 {
				out[k]++
			} else {
				keep[i] = true
			}
		}
	}
	var counts []string
	n := 0
	for k := range sorts {
		if out[k] > 0 {
			n += out[k]
			counts = append(counts, fmt.Sprintf("%d of %s", out[k], k.plural()))
		}
	}
	for i := range s.items {
		if keep[i] {
			shown = append(shown, s.items[i].entry)
		}
	}
	if n == 0 {
		return shown, ""
	}
	return shown, fmt.Sprintf("Left out, to keep to two sheets: %d of %d entries (%s). ", n, len(s.items), strings.Join(counts, ", "))
}

// linesOf is about how many lines a text takes; capitals and what no typewriter has are wider than the rest.
func linesOf(text string) int {
	wide := 0
	for _, r := range text {
		wide += 2
		if unicode.IsUpper(r) || r >= 0x1100 {
			wide += 2
		}
	}
	return 1 + wide/(2*across)
}

// command is how to see all of the list.
func (s *Summary) command(zone *time.Location) string {
	bound := func(t, edge time.Time) string {
		if in := edge.In(zone); in.Equal(time.Date(in.Year(), in.Month(), in.Day(), 0, 0, 0, 0, zone)) {
			return t.In(zone).Format(dateLayout)
		}
		return t.In(zone).Format(time.RFC3339)
	}
	return fmt.Sprintf("They are in the text: holdbell records --summary --from %s --to %s", bound(s.r.From, s.r.From), bound(s.r.To, s.r.To.Add(time.Millisecond)))
}
