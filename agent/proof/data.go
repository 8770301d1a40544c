package proof

import (
	"bytes"
	_ "embed" // how to check a pack
	"encoding/json"
	"fmt"
	"iter"
	"strconv"
	"time"

	"arcdrift/agent/proof/pack"
	"arcdrift/agent/storekey"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// checking says how a pack is checked by somebody else's program.
//
//go:embed CHECKING.txt
var checking []byte

// Seal makes the pack. stamp may be nil, see [pack.Seal].
func (f *Facts) Seal(signer pack.Signer, stamp func(signature []byte) ([]byte, error)) ([]byte, error) {
	parts, err := f.parts(storekey.Fingerprint(signer.Public()))
	if err != nil {
		return nil, err
	}
	m := pack.Manifest{Job: f.Job, Machine: f.Machine, KnownAt: f.KnownAt, Software: f.Software, Store: f.Store, Heads: f.Heads}
	if f.Job == "" {
		from, to := f.From.UTC(), f.To.UTC()
		m.From, m.To = &from, &to
	}
	return pack.Seal(m, parts, signer, stamp)
}

// parts are the files of the pack.
func (f *Facts) parts(fingerprint string) ([]pack.Part, error) {
	d := f.Document(fingerprint)
	page, err := d.HTML()
	if err != nil {
		return nil, err
	}
	printed, err := d.PDF(f.KnownAt)
	if err != nil {
		return nil, err
	}
	review, err := json.MarshalIndent(&f.Doubt, "", " ")
	if err != nil {
		return nil, err
	}
	out := []pack.Part{{Name: "document.html", Content: page}, {Name: "document.pdf", Content: printed}, {Name: "CHECKING.txt", Content: checking}}
	if first, last := f.span(); !first.IsZero() {
		out = append(out, pack.Part{Name: "doubt.svg", Content: f.drawing(f.Machines, first, last).SVG()})
	}
	out = append(out, pack.Part{Name: "data/records.jsonl", Content: f.records()}, pack.Part{Name: "data/look-back.json", Content: append(review, '\n')})
	for _, sheet := range []struct {
		name string
		rows [][]string
	}{{"checks", f.checkRows()}, {"days", f.dayRows()}, {"rules", f.ruleRows()}, {"services", f.serviceRows()}} {
		var b bytes.Buffer
		if err := wire.NewSheet(&b).WriteAll(sheet.rows); err != nil {
			return nil, fmt.Errorf("the table of %s could not be written: %w", sheet.name, err)
		}
		out = append(out, pack.Part{Name: "data/" + sheet.name + ".csv", Content: b.Bytes()})
	}
	return out, nil
}

// records are those of the pack's time, as they were taken.
func (f *Facts) records() []byte {
	var out []byte
	for i := range f.Machines {
		for j := range f.Machines[i].Kept {
			out = append(wire.AppendEntry(out, &f.Machines[i].Kept[j]), '\n')
		}
	}
	return out
}

func (f *Facts) checkRows() [][]string {
	rows := [][]string{{"machine", "began", "ended", "site", "program", "trigger", "attempts", "as_found_passed", "as_found_off_um", "as_left_passed", "as_left_off_um",
		"power_setting_pct", "power_correction_pct", "temperature_c", "humidity_pct", "pressure_hpa", "altitude_m", "operator"}}
	for i := range f.Machines {
		m := &f.Machines[i]
		for j := range m.Checks {
			c := &m.Checks[j]
			found := ""
			if c.Found != nil {
				found = offCell(c.Found, &m.Settings)
			}
			l := c.Left
			rows = append(rows, []string{m.Machine, stamp(c.Began), stamp(c.Ended), c.Site, c.Program, c.Trigger, fmt.Sprint(c.Tries), fmt.Sprint(c.FoundGood), found, fmt.Sprint(c.Passed), offCell(l, &m.Settings),
				cell(l.PowerSetting), cell(c.Correction), cell(l.Temperature), cell(l.Humidity), cell(l.Pressure), cell(l.Altitude), c.Operator})
		}
	}
	return rows
}

func (f *Facts) dayRows() [][]string {
	rows := [][]string{{"machine", "day", "job", "site", "splices", "counted", "checked_that_day", "chance_out", "out_mean", "out_p10", "out_p90", "deviation_pct", "deviation_sd_pct", "decision"}}
	for _, d := range f.spliceDays() {
		row := []string{d.Machine, d.Day, d.Job, d.Site, fmt.Sprint(d.Splices), fmt.Sprint(d.Counted), fmt.Sprint(d.CheckedThatDay(f.zone(d.Machine)))}
		if e := d.Doubt; e != nil {
			decided := ""
			if e.Decision != nil {
				decided = string(e.Decision.Verdict)
			}
			row = append(row, number(e.Chance), number(e.Out.Mean), fmt.Sprint(e.Out.Low), fmt.Sprint(e.Out.High), number(e.Deviation), number(e.DeviationSD), decided)
		} else {
			row = append(row, "", "", "", "", "", "", "")
		}
		rows = append(rows, row)
	}
	return rows
}

func (f *Facts) ruleRows() [][]string {
	rows := [][]string{{"machine", "used", "site", "rule", "kept"}}
	for i := range f.Machines {
		m := &f.Machines[i]
		for _, o := range m.Owed {
			rows = append(rows, []string{m.Machine, stamp(o.Time), o.Site, string(o.Rule), fmt.Sprint(o.Kept)})
		}
	}
	return rows
}

func (f *Facts) serviceRows() [][]string {
	rows := [][]string{{"machine", "time", "action", "pair", "finding", "arc_count", "operator"}}
	for m, e := range f.services() {
		rows = append(rows, []string{m.Machine, stamp(e.When()), string(e.Service.Action), e.Service.Pair, string(e.Service.Finding), arcsOf(e), e.Operator})
	}
	return rows
}

// services are the records of work on the electrodes, each with its machine.
func (f *Facts) services() iter.Seq2[*Machine, *drift.Entry] {
	return func(yield func(*Machine, *drift.Entry) bool) {
		for i := range f.Machines {
			m := &f.Machines[i]
			for j := range m.Entries {
				if e := &m.Entries[j]; e.Service != nil && !yield(m, e) {
					return
				}
			}
		}
	}
}

// arcsOf is the pair's counter, empty where it is not known.
func arcsOf(e *drift.Entry) string {
	if n, known := e.ArcCount.Get(); known {
		return fmt.Sprint(n)
	}
	return ""
}

func stamp(at time.Time) string { return at.UTC().Format(time.RFC3339) }

func number(x float64) string { return strconv.FormatFloat(x+0, 'g', 6, 64) }

func cell(v drift.Opt[float64]) string {
	if x, known := v.Get(); known {
		return number(x)
	}
	return ""
}

func offCell(c *drift.Calibration, settings *drift.Settings) string {
	return cell(deviation(c, settings))
}
