package web

import (
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/phrase"
)

// How much of a long history one page writes out; the rest is a link away.
const (
	mostRows    = 200
	mostEntries = 50
	fewEntries  = 8
)

type machineView struct {
	Machine, Link, Records, Where, Past string
	State                               advise.State
	Next, Basis                         string
	Age                                 ageView
	Reasons, Warnings                   []string
	Asks                                []askView
	Before                              []string // earlier names
	Streak                              string
	Causes                              []causeView
	Cautions                            bool
	Case                                *caseLink
	Axes, Values, Spans                 []choice
	Wide, Small                         *chart
	Left                                int
	Table                               []attemptRow
	FanTable                            []fanRow
	CSV                                 string
	Facts                               []fact
	Forecasts                           *earlierView
	Entries                             []entryView
	Older                               int
	zone                                *time.Location // of all times on the page
}

type choice struct {
	Word, Link string
	Chosen     bool
}

type causeView struct {
	Word, Chance, Test string
	Share              int
}

type attemptRow struct{ At, When, Arcs, Result, Raw, Reference, Level, Remark string }

type fanRow struct{ Arcs, Low, Mid, High string }

type fact struct{ Name, Value, Note string }

// Latest are the records in sight, Earlier the ones behind a fold.
func (v *machineView) Latest() []entryView { return v.Entries[:min(fewEntries, len(v.Entries))] }

// Earlier: see Latest.
func (v *machineView) Earlier() []entryView { return v.Entries[min(fewEntries, len(v.Entries)):] }

func (s *Server) machine(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	s = s.inZoneOf(id)
	b := s.Fleet.Board()
	asOf, problem := momentOf(r.URL.Query(), "as_of")
	if problem != nil {
		s.lost(w, http.StatusBadRequest, "Invalid time", phrase.Sentence(problem.Error())+".")
		return
	}
	tag := ""
	if !asOf.Known() {
		tag = s.tag(b.version)
		if unchanged(w, r, tag) {
			return
		}
	}
	a, site, err := s.answerFor(b, id, asOf)
	if err != nil {
		s.fail(w, err)
		return
	}
	if a == nil {
		if now := s.calledNow(b, id); now != id {
			http.Redirect(w, r, machineLink(now), http.StatusSeeOther)
			return
		}
		s.noMachine(w, id)
		return
	}
	view, whole, err := s.machineView(r.Context(), a, site, asOf, r.URL.Query())
	if err != nil {
		s.fail(w, err)
		return
	}
	if tag != "" && !whole {
		tag = partial
	}
	s.render(w, "machine", page{Title: id + ": " + phrase.State(a.State), Here: "/machines", Tag: tag, Scripts: []string{"chart.js"}, Body: view})
}

// answerFor is the answer for one machine now or at asOf; nil for an unknown one.
func (s *Server) answerFor(b *Board, id string, asOf drift.Opt[time.Time]) (a *advise.Assessment, site string, err error) {
	m := b.find(id)
	if m == nil {
		return nil, "", nil
	}
	if !asOf.Known() {
		return m.Assessment, m.Site, nil
	}
	then, err := s.Fleet.AssessAt(id, asOf, drift.Opt[time.Time]{})
	if err != nil || len(then) == 0 {
		return nil, "", err
	}
	return &then[0], m.Site, nil
}

// machineView is the page of a machine; whole says whether all of it is there.
func (s *Server) machineView(ctx context.Context, a *advise.Assessment, site string, asOf drift.Opt[time.Time], q url.Values) (v *machineView, whole bool, err error) {
	now := asOf.Or(s.Now()).In(s.Now().Location())
	v = &machineView{
		zone:    now.Location(),
		Machine: a.Machine, Link: machineLink(a.Machine), Records: "/api/v1" + machineLink(a.Machine) + "/records",
		Where: phrase.Beside(label(a.Model), site), State: a.State, Next: a.NextStep(now), Basis: basis(a),
		Age: ageOf(a.Data.Last, now), Reasons: a.Reasons, Cautions: a.RequiresOpening(),
		Streak: streakWords(a), Causes: causesOf(a), Facts: factsOf(a, now.Location()),
	}
	v.Asks, v.Warnings = asksOf(a)
	if m := s.Fleet.Board().find(a.Machine); m != nil {
		v.Before = m.Before
		if len(v.Before) > 0 {
			v.Where = phrase.Beside(v.Where, "formerly "+strings.Join(v.Before, ", "))
		}
	}
	if at, ok := asOf.Get(); ok {
		v.Past = phrase.Moment(at.In(v.zone))
		return v, true, s.addPast(v, at, q)
	}
	v.Case = s.caseOf(a.Machine)
	trace, err := s.traces.of(ctx, a)
	if err != nil {
		return nil, false, err
	}
	v.draw(s.markAlerts(trace, a.Machine), q, now)
	if whole, err = s.addEarlier(ctx, v, a); err != nil {
		return nil, false, err
	}
	return v, whole, s.addLatest(v, a, now)
}

// addPast adds what there was of a machine at another moment.
func (s *Server) addPast(v *machineView, at time.Time, q url.Values) error {
	trace, err := s.Fleet.Trace(v.Machine, at)
	if err != nil {
		return fmt.Errorf("web: trace of %s: %w", v.Machine, err)
	}
	v.draw(trace, q, at)
	history, err := v.records(s.Records.History)
	if err != nil {
		return err
	}
	v.addEntries(history, at)
	return nil
}

// draw fills in the chart, in a wide and a narrow size of which the style shows
// one, the switches above it and the table below.
func (v *machineView) draw(t advise.Trace, q url.Values, now time.Time) {
	view := chartView{machine: v.Machine, byDate: q.Get("axis") == "date", raw: q.Get("points") == "measured"}
	whole := q.Get("days") == "all"
	span := periodOf(q)
	all := t
	if view.byDate && !whole {
		from, to := span.bounds(now)
		t.Points = between(t.Points, from, to)
	}
	v.Wide = drawPower(t, view, "wide", 960, 420)
	v.Small = drawPower(t, view, "small", 360, 380)
	set := func(name, value string) string {
		next := url.Values{}
		for _, key := range []string{"axis", "points", "days", "from", "to", "as_of"} {
			if q.Get(key) != "" {
				next.Set(key, q.Get(key))
			}
		}
		next.Set(name, value)
		return v.Link + "?" + next.Encode()
	}
	v.Axes = []choice{{"arcs", set("axis", "arcs"), !view.byDate}, {"date", set("axis", "date"), view.byDate}}
	v.Values = []choice{{"at reference air", set("points", "reference"), !view.raw}, {"as measured", set("points", "measured"), view.raw}}
	if view.byDate {
		v.Spans = span.choices(func(p period) string {
			next := url.Values{}
			for _, key := range []string{"axis", "points", "as_of"} {
				if q.Get(key) != "" {
					next.Set(key, q.Get(key))
				}
			}
			p.set(next)
			return withQuery(v.Link, next)
		})
		if whole {
			for i := range v.Spans {
				v.Spans[i].Chosen = false
			}
		}
		v.Spans = append(v.Spans, choice{"all", set("days", "all"), whole})
	}
	v.CSV = v.Link + "/power.csv"
	v.tabulate(all, t.Fan, now)
}

// tabulate fills in the tables below the chart.
func (v *machineView) tabulate(all advise.Trace, fan []advise.FanPoint, now time.Time) {
	pair := 0
	for _, p := range all.Points {
		pair = max(pair, p.Pair)
	}

	for i, p := range slices.Backward(all.Points) {
		if len(v.Table) == mostRows {
			v.Left = i + 1
			break
		}
		row := rowOfPoint(p, now.Location())
		row.At = v.Wide.at(p, pair)
		v.Table = append(v.Table, row)
	}
	for _, f := range fan {
		v.FanTable = append(v.FanTable, fanRow{phrase.Integer(f.Arcs), phrase.SignedPercent(f.P10), phrase.SignedPercent(f.P50), phrase.SignedPercent(f.P90)})
	}
	if n := len(v.FanTable); n > 12 { // every k-th is enough to read off
		k := (n + 11) / 12
		kept := v.FanTable[:0:0]
		for i := k - 1; i < n; i += k {
			kept = append(kept, v.FanTable[i])
		}
		v.FanTable = kept
	}
}

func chanceOf(p drift.Opt[float64]) string {
	x, ok := p.Get()
	if !ok {
		return phrase.Unknown
	}
	return phrase.Chance(x)
}

func rowOfPoint(p advise.Point, zone *time.Location) attemptRow {
	row := attemptRow{When: phrase.Moment(p.Time.In(zone)), Arcs: phrase.Integer(p.Arcs), Result: "passed", Raw: pct(p.Raw), Reference: pct(p.Reference), Level: phrase.Unknown}
	if !p.Passed {
		row.Result = "failed"
	}
	if hasLevel(p) {
		row.Level = phrase.PlusMinus(p.Level, z80*p.SD)
	}
	var remarks []string
	if p.Conditioning {
		remarks = append(remarks, "new pair, not counted")
	}
	if p.BadEnd {
		remarks = append(remarks, "probably a bad fibre end")
	}
	row.Remark = strings.Join(remarks, "; ")
	return row
}

// basis says what the answer rests on.
func basis(a *advise.Assessment) string {
	kind := map[advise.Grade]string{
		advise.Full:           "with meltback and setting",
		advise.CorrectionOnly: "with pass or fail and the correction",
		advise.PassFail:       "with pass or fail only",
	}[a.Data.Grade]
	text := strings.TrimSpace(phrase.Count(a.Data.Records, "record")+" "+kind) + "."
	if a.Data.Refused > 0 {
		text += " " + phrase.Count(a.Data.Refused, "refused record") + "."
	}
	return text
}

func streakWords(a *advise.Assessment) string {
	n := a.Streak.Attempts
	if n == 0 {
		return ""
	}
	text := phrase.Count(n, "failed attempt")
	if n > 1 {
		text += " in a row"
	}
	if a.Streak.Sessions > 1 {
		text += ", in " + phrase.Count(a.Streak.Sessions, "session")
	}
	if p, ok := a.Streak.ByLuck.Get(); ok {
		text += "; chance of such a run by luck: " + phrase.Chance(p)
	}
	return text
}

func causesOf(a *advise.Assessment) []causeView {
	causes := slices.Clone(a.Streak.Cause)
	slices.SortStableFunc(causes, func(x, y advise.Cause) int {
		switch {
		case x.Probability > y.Probability:
			return -1
		case x.Probability < y.Probability:
			return 1
		default:
			return 0
		}
	})
	var out []causeView
	for _, c := range causes {
		out = append(out, causeView{Word: phrase.Sentence(advise.CauseWord(c.Cause)), Chance: phrase.Chance(c.Probability), Test: advise.CauseTest(c.Cause), Share: int(100*c.Probability + 0.5)})
	}
	return out
}

func factsOf(a *advise.Assessment, zone *time.Location) []fact {
	d, e := a.Drift, a.Electrode
	facts := []fact{
		dueFact(a.Due, zone),
		{"Required power at reference air", pct(d.RequiredPower), plusMinus(d.SD)},
		{"Setting in force", pct(d.Setting), ""},
		{"Limit of the setting", pct(d.Limit), ""},
		{"Out of tolerance at this setting", chanceOf(d.ProbabilityOut), "attempts in the air of the last calibration"},
		{"Drift per 1,000 arcs", pct(d.Per1000Arcs), plusMinus(d.Per1000ArcsSD)},
		{"Scatter from attempt to attempt", size(d.Scatter), ""},
		{"Effect of air density", pct(a.Air.Density), "change of required power at the last record"},
		{"Effect of humidity", pct(a.Air.Humidity), "change of required power at the last record"},
		{"Arcs on this pair", count(e.Arcs), ""},
		{"Arcs since last cleaned", count(e.ArcsSinceCleaned), phrase.Count(e.Cleanings, "cleaning")},
		{"Arcs to failure", arcsLeft(a), ""},
	}
	if v, ok := e.ArcsPerDay.Get(); ok {
		facts = append(facts, fact{"Use", phrase.About(v) + " arcs a day", ""})
	}
	if v, ok := e.CleanHolds.Get(); ok {
		facts = append(facts, fact{"Chance that a cleaning lasts to the next bench day", phrase.Chance(v), ""})
	}
	return facts
}

// dueFact is the check that the rules of the trade ask for.
func dueFact(d *advise.Due, zone *time.Location) fact {
	if d == nil {
		return fact{"Check due", "none", ""}
	}
	note := "not used since"
	if d.UsedSince {
		note = "used since"
	}
	return fact{"Check due", phrase.Sentence(phrase.Code(d.Reason)), "since " + phrase.Moment(d.Since.In(zone)) + ", " + note}
}

// arcsLeft is a range that names the safe end: that is the one to plan on.
func arcsLeft(a *advise.Assessment) string {
	q := a.Electrode.ToFailure
	if q == nil {
		return phrase.Unknown
	}
	horizon := float64(a.Electrode.HorizonArcs)
	if horizon > 0 && q.P10 >= horizon {
		return "more than " + phrase.Integer(a.Electrode.HorizonArcs)
	}
	to := phrase.About(q.P90)
	if horizon > 0 && q.P90 >= horizon {
		to = "more than " + phrase.Integer(a.Electrode.HorizonArcs)
	}
	return fmt.Sprintf("between %s and %s; plan on %s", phrase.About(q.P10), to, phrase.About(q.P10))
}
