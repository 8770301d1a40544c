package advise

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"arcdrift/drift"
)

// Owed is a check that a rule asked for before a machine was used, and whether it
// was made: it says where and of which model, never by which person.
type Owed struct {
	// Machine is set by who follows several.
	Machine string
	Rule    DueReason
	// Time is when the machine was used, in its own zone.
	Time        time.Time
	Site, Model string
	Kept        bool
}

// Watch follows one machine and lists what the rules asked for: at the first use
// of a local day, after electrode work and after a move. Without records of use
// (splices or usage) it lists nothing. Set its settings before the first entry.
type Watch struct {
	Zone  *time.Location
	Every int64
	Model string

	checks           Checks
	day              time.Time
	worked, relocate bool // since the last use
}

// Update takes the next entry, of the pair with that number after it, and returns
// what was owed at it.
func (w *Watch) Update(e *drift.Entry, pair int) []Owed {
	before := w.checks
	w.checks.Update(e, pair)
	at := e.When().UTC()
	w.worked = w.worked || e.Service != nil && e.Service.Action != drift.Inspected || e.Service == nil && pair != before.Pair
	w.relocate = w.relocate || elsewhere(e, &before)
	if e.Type != drift.TypeSplice && e.Type != drift.TypeUsage || !w.checks.Used.Equal(at) {
		return nil
	}
	var out []Owed
	owe := func(rule DueReason, kept bool) {
		out = append(out, Owed{Rule: rule, Time: at.In(w.Zone), Site: w.checks.Place, Model: w.Model, Kept: kept})
	}
	if today := startOfDay(at, w.Zone, 0); w.Every > 0 && !today.Equal(w.day) {
		w.day = today
		passed := !w.checks.Passed.Before(today)
		if passed || w.checks.Passed.IsZero() || !at.Before(startOfDay(w.checks.Passed, w.Zone, int(w.Every))) {
			owe(StartOfDay, passed)
		}
	}
	if w.worked {
		owe(ElectrodeWork, w.checks.Work.IsZero())
	}
	if w.relocate {
		owe(Moved, w.checks.Changed.IsZero())
	}
	w.worked, w.relocate = false, false
	return out
}

// elsewhere says whether an entry reports a move, be it by the calibration that
// the move asked for.
func elsewhere(e *drift.Entry, before *Checks) bool {
	if e.Site != "" && before.PassedAt != "" && !strings.EqualFold(e.Site, before.PassedAt) && !strings.EqualFold(e.Site, before.To) {
		return true
	}
	c := e.Calibration
	if c == nil || !before.Changed.IsZero() {
		return false // the check that a move known before asked for, late or not
	}
	_, far := considerable(c.Altitude, before.Altitude, considerableMetres)
	return far || c.Trigger == "moved"
}

// Tally counts what was owed and what of it was kept.
type Tally struct {
	Owed int `json:"owed"`
	Kept int `json:"kept"`
}

// String says it as people do: 4 of 5.
func (t Tally) String() string {
	if t.Owed == 0 {
		return "none due"
	}
	return fmt.Sprintf("%d of %d", t.Kept, t.Owed)
}

// Unnamed is a site's or model's name, or that no record states it.
func Unnamed(name string) string {
	if name == "" {
		return "not stated"
	}
	return name
}

// KeptRow is how the rules were kept in one week, at one site or by machines of
// one model.
type KeptRow struct {
	// Week is an ISO 8601 week, like 2026-W10; Name is the site's or model's, empty
	// where no record says.
	Week         string `json:"week"`
	Name         string `json:"name"`
	BeforeFirst  Tally  `json:"start_of_day"`
	AfterService Tally  `json:"electrode_service"`
	AfterMove    Tally  `json:"moved"`
}

// The two ways to group what was owed.
const (
	BySite  = "site"
	ByModel = "model"
)

// KeptBy counts by week and by site or model, the newest week first.
func KeptBy(by string, all []Owed) []KeptRow {
	type place struct{ week, name string }
	rows := map[place]*KeptRow{}
	for i := range all {
		o := &all[i]
		year, week := o.Time.ISOWeek()
		at := place{fmt.Sprintf("%04d-W%02d", year, week), o.Site}
		if by == ByModel {
			at.name = o.Model
		}
		if rows[at] == nil {
			rows[at] = &KeptRow{Week: at.week, Name: at.name}
		}
		rows[at].count(o)
	}
	out := make([]KeptRow, 0, len(rows))
	for _, row := range rows {
		out = append(out, *row)
	}
	slices.SortFunc(out, func(a, b KeptRow) int {
		return cmp.Or(cmp.Compare(b.Week, a.Week), cmp.Compare(a.Name, b.Name))
	})
	return out
}

func (r *KeptRow) count(o *Owed) {
	tally := map[DueReason]*Tally{StartOfDay: &r.BeforeFirst, ElectrodeWork: &r.AfterService, Moved: &r.AfterMove}[o.Rule]
	tally.Owed++
	if o.Kept {
		tally.Kept++
	}
}
