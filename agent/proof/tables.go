package proof

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"arcdrift/agent/proof/document"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/phrase"
)

func (f *Facts) machinesTable() document.Table {
	t := document.Table{Columns: []document.Column{{Head: "Machine", Share: 2}, {Head: "Model", Share: 2}, {Head: "Programs", Share: 2}, {Head: "Sites", Share: 3}, {Head: "Target and tolerance", Share: 2.2}, {Head: "Checks", Share: 1.2, Right: true}, {Head: "Splices", Share: 1.2, Right: true}}}
	for i := range f.Machines {
		m := &f.Machines[i]
		var programs, sites []string
		for j := range m.Entries {
			note(&programs, m.Entries[j].Program)
			note(&sites, m.Entries[j].Site)
		}
		splices := 0
		for j := range m.Days {
			splices += m.Days[j].Splices
		}
		name := m.Machine
		if len(m.Before) > 0 {
			name += ", formerly " + strings.Join(m.Before, ", ")
		}
		t.Rows = append(t.Rows, []string{name, or(m.Model), or(strings.Join(programs, ", ")), or(strings.Join(sites, ", ")), m.tolerance(), fmt.Sprint(len(m.Checks)), fmt.Sprint(splices)})
	}
	return t
}

// note adds a label that is not there yet.
func note(to *[]string, label string) {
	if label != "" && !slices.Contains(*to, label) {
		*to = append(*to, label)
	}
}

// or is a dash for what is not said.
func or(text string) string {
	if text == "" {
		return "–"
	}
	return text
}

// tolerance is the last that a check told, or what a setup says.
func (m *Machine) tolerance() string {
	target, tolerance := m.Settings.Target, m.Settings.Tolerance
	for i := range m.Checks {
		target, tolerance = m.Checks[i].Left.Target.OrElse(target), m.Checks[i].Left.Tolerance.OrElse(tolerance)
	}
	t, known := target.Get()
	if !known {
		return "–"
	}
	if by, known := tolerance.Get(); known {
		return phrase.Unit(phrase.Number(t)+" ± "+phrase.Number(by), "µm")
	}
	return phrase.Quantity(t, "µm")
}

func (f *Facts) daysTable() document.Table {
	t := document.Table{Columns: []document.Column{{Head: "Day", Share: 2}, {Head: "Machine", Share: 1.6}, {Head: "Job", Share: 1.6}, {Head: "Site", Share: 2.2}, {Head: "Splices", Share: 1.5, Right: true}, {Head: "Check before", Share: 2.4}, {Head: "Next check, as found", Share: 2.6}, {Head: "Chance of being out", Share: 2}, {Head: "Decision", Share: 2}}, Empty: "No splice is on record for this time."}
	if f.Job != "" {
		t.Columns = slices.Delete(t.Columns, 2, 3)
	}
	for _, d := range f.spliceDays() {
		zone := f.zone(d.Machine)
		splices := fmt.Sprint(d.Splices)
		if !d.Counted {
			splices = "about " + splices
		}
		before, after := "none on record", "none yet"
		if d.Before != nil {
			before = stamped(d.Before.Ended, zone) + ", " + result(d.Before.Passed)
			if d.Before.Ended.In(zone).Format(time.DateOnly) == d.Day {
				before = d.Before.Ended.In(zone).Format("that day 15:04, ") + result(d.Before.Passed)
			}
		}
		if d.After != nil {
			after = stamped(d.After.Began, zone) + ", " + asFound(d.After)
		}
		row := []string{longDay(d.Day), d.Machine, or(d.Job), or(d.Site), splices, before, after, chanceOf(d.Doubt), f.decision(d.Doubt)}
		if f.Job != "" {
			row = slices.Delete(row, 2, 3)
		}
		t.Rows = append(t.Rows, row)
	}
	return t
}

func result(passed bool) string {
	if passed {
		return "passed"
	}
	return "failed"
}

func chanceOf(e *lookback.Entry) string {
	if e == nil {
		return "cannot tell"
	}
	return phrase.Chance(e.Chance)
}

// stamped is a moment in a table, whose zone the text above says.
func stamped(at time.Time, zone *time.Location) string {
	if at.IsZero() {
		return "–"
	}
	return at.In(zone).Format("2 Jan 2006 15:04")
}

// decision is what somebody decided about a splice day.
func (f *Facts) decision(e *lookback.Entry) string {
	switch {
	case e == nil || e.Decision == nil && !e.Open:
		return "–"
	case e.Decision == nil:
		return "not decided yet"
	}
	text := verdicts[e.Decision.Verdict]
	if e.Reopened != nil {
		text += "; open again, as the chance changed from " + phrase.Chance(e.Reopened.Was) + " to " + phrase.Chance(e.Reopened.Is)
	}
	return text
}

var verdicts = map[drift.Verdict]string{drift.Accept: "accepted", drift.Remeasure: "measure again", drift.Redo: "splice again"}

// off is how far the mean of both ends was from the target.
func off(c *drift.Calibration, settings *drift.Settings) string {
	d, known := deviation(c, settings).Get()
	if !known {
		return ""
	}
	return phrase.Unit(phrase.Signed(d, 1), "µm")
}

func deviation(c *drift.Calibration, settings *drift.Settings) (d drift.Opt[float64]) {
	left, l := c.MeltbackLeft.Get()
	right, r := c.MeltbackRight.Get()
	target, t := c.Target.OrElse(settings.Target).Get()
	if l && r && t {
		d = drift.Some((left+right)/2 - target)
	}
	return d
}

func asFound(c *Check) string { return result(c.FoundGood) }

func (f *Facts) checksTable() document.Table {
	t := document.Table{Columns: []document.Column{{Head: "Time", Share: 2}, {Head: "Machine", Share: 1.4}, {Head: "Site, reason", Share: 2.4}, {Head: "As found", Share: 1.5}, {Head: "Attempts", Share: 1.5, Right: true}, {Head: "As left", Share: 1.5}, {Head: "Power: setting, change", Share: 1.9}, {Head: "Air", Share: 2.2}, {Head: "By", Share: 1.3}}, Empty: "No check is on record for this time."}
	type row struct {
		at    string
		cells []string
	}
	var rows []row
	for i := range f.Machines {
		m := &f.Machines[i]
		for j := range m.Checks {
			c := &m.Checks[j]
			found := "failed"
			if c.Found != nil {
				found = joined(result(c.FoundGood), off(c.Found, &m.Settings))
			}
			power := joined(percent(c.Left.PowerSetting, false), percent(c.Correction, true))
			rows = append(rows, row{c.Began.UTC().Format("20060102150405.000000000"), []string{stamped(c.Began, m.Zone), m.Machine, or(joined(c.Site, c.Trigger)),
				found, fmt.Sprint(c.Tries), joined(result(c.Passed), off(c.Left, &m.Settings)), or(power), or(airOf(c.Left)), f.person(c.Operator)}})
		}
	}
	slices.SortStableFunc(rows, func(a, b row) int { return strings.Compare(a.at, b.at) })
	for _, r := range rows {
		t.Rows = append(t.Rows, r.cells)
	}
	return t
}

func joined(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), ", ")
}

func percent(v drift.Opt[float64], sign bool) string {
	x, known := v.Get()
	switch {
	case !known:
		return ""
	case sign:
		return phrase.SignedPercent(x)
	}
	return phrase.Percent(x)
}

// airOf is the air of an attempt.
func airOf(c *drift.Calibration) string {
	var parts []string
	for _, p := range []struct {
		v    drift.Opt[float64]
		unit string
	}{{c.Temperature, "°C"}, {c.Humidity, "% humidity"}, {c.Pressure, "hPa"}, {c.Altitude, "m"}} {
		if v, known := p.v.Get(); known {
			parts = append(parts, phrase.Unit(phrase.Fixed(v, 0), p.unit))
		}
	}
	return strings.Join(parts, ", ")
}

func (f *Facts) servicesTable() document.Table {
	t := document.Table{Columns: []document.Column{{Head: "Time", Share: 2}, {Head: "Machine", Share: 2}, {Head: "Work", Share: 2}, {Head: "Pair", Share: 2}, {Head: "Found", Share: 2}, {Head: "Arcs", Share: 1, Right: true}, {Head: "By", Share: 2}}, Empty: "No work on the electrodes is on record for this time."}
	for m, e := range f.services() {
		t.Rows = append(t.Rows, []string{stamped(e.When(), m.Zone), m.Machine, string(e.Service.Action), or(e.Service.Pair), or(string(e.Service.Finding)), or(arcsOf(e)), f.person(e.Operator)})
	}
	return t
}

func (f *Facts) correctionsTable() document.Table {
	t := document.Table{Columns: []document.Column{{Head: "Time", Share: 2}, {Head: "Machine", Share: 1.5}, {Head: "Record", Share: 3}, {Head: "New values", Share: 3}, {Head: "Reason", Share: 3}, {Head: "By", Share: 1.5}}, Empty: "No record of this time was corrected."}
	for i := range f.Machines {
		m := &f.Machines[i]
		for j := range m.Kept {
			e := &m.Kept[j]
			if e.Correction == nil {
				continue
			}
			t.Rows = append(t.Rows, []string{stamped(e.When(), m.Zone), m.Machine, e.Correction.Corrects, string(e.Correction.AppendFields(nil)), or(e.Correction.Reason), f.person(e.Operator)})
		}
	}
	return t
}

// lookBack says what was found out, and what was decided.
func (f *Facts) lookBack() []document.Block {
	var spans []string
	for i := range f.Doubt.Spans {
		s := &f.Doubt.Spans[i]
		if s.Found != "" {
			zone := f.zone(s.Machine)
			spans = append(spans, fmt.Sprintf("%s, %s to %s. %s %s", s.Machine, stamped(s.From, zone), stamped(s.To, zone), s.Found, s.Good))
		}
	}
	out := []document.Block{document.Paragraph{Text: "When a machine is found out, its splices since the last point known good are looked back on: from all records before and after, the air, and the setting in force then."}}
	if len(spans) == 0 {
		out = append(out, document.Paragraph{Text: "Nothing in this time called for a look-back."})
	} else {
		out = append(out, document.Bullets{Items: spans})
	}
	t := document.Table{Columns: []document.Column{{Head: "Day", Share: 2}, {Head: "Machine", Share: 1.6}, {Head: "Splices", Share: 1.5, Right: true}, {Head: "Likely out", Share: 1.8}, {Head: "Arc off by", Share: 1.6}, {Head: "Loss", Share: 2}, {Head: "Why in doubt", Share: 3.4}, {Head: "Decision", Share: 3.4}}, Empty: "Nothing was to be decided."}
	for i := range f.Doubt.Entries {
		e := &f.Doubt.Entries[i]
		if e.Decision == nil && !e.Open {
			continue
		}
		decided := f.decision(e)
		if d := e.Decision; d != nil {
			who := f.person(d.By)
			if d.Role != "" {
				who += " (" + d.Role + ")"
			}
			decided = fmt.Sprintf("%s, by %s on %s", decided, who, stamped(d.Time, f.zone(e.Machine)))
			if d.Reason != "" {
				decided += ": " + d.Reason
			}
		}
		t.Rows = append(t.Rows, []string{longDay(e.Day), e.Machine, fmt.Sprint(e.Splices), fmt.Sprintf("%s (%d to %d)", phrase.About(e.Out.Mean), e.Out.Low, e.Out.High), phrase.PlusMinus(e.Deviation, 1.2816*e.DeviationSD), lossOf(e.Loss), e.Reason, decided})
	}
	return append(out, t)
}

func lossOf(l *lookback.Loss) string {
	if l == nil {
		return "none on record"
	}
	return fmt.Sprintf("mean %.2f dB, worst %.2f dB; %d measured, %d of them from both ends", l.Mean, l.Worst, l.Measured, l.BothWays)
}
