package delta

import (
	"encoding/json"
	"regexp"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/drift/blind"
)

// bound is what the contract says of a number.
type bound struct{ lo, hi float64 }

// bounds are the numbers of the contract's records, by name.
func bounds() map[string]bound {
	return map[string]bound{
		"epoch": {0, 1e15}, "seq": {0, 1e15}, "attempt": {1, 20}, "attempts": {1, 20},
		"meltback_left_um": {1e-9, 2000}, "meltback_right_um": {1e-9, 2000},
		"meltback_target_um": {1e-9, 2000}, "meltback_tolerance_um": {1e-9, 2000},
		"centre_offset_um": {-500, 500}, "power_setting_pct": {-60, 60}, "power_correction_pct": {-60, 60},
		"power_limit_pct": {1e-9, 60}, "arc_count": {0, 10_000_000}, "temperature_c": {-40, 60},
		"humidity_pct": {0, 100}, "altitude_m": {-430, 6000}, "pressure_hpa": {400, 1100},
		"machine_temperature_c": {-40, 80}, "count": {1, 1e6}, "loss_db": {0, 10},
		"attempt_limit": {1, 20}, "target_um": {1e-9, 2000}, "tolerance_um": {1e-9, 2000},
		"limit_pct": {1e-9, 60}, "conditioning_arcs": {0, 1000},
	}
}

// texts are its texts, with the values allowed where it names them.
func texts() map[string]string {
	const label = `.{1,64}`
	return map[string]string{
		"type": "calibration|service|usage|splice|setup", "machine": "[A-Za-z0-9][A-Za-z0-9._-]{0,63}",
		"id": label, "model": label, "program": label, "site": label, "operator": label, "source": label,
		"session": label, "cleaver": label, "pair": label, "job": label, "name": label, "time": label,
		"trigger": "start-of-day|moved|weather|electrode-service|other", "action": "cleaned|replaced|inspected",
		"finding": "worn|dirty|fine|cleaver|other", "scope": "model|machine",
	}
}

// only are fields that one type of record has.
func only() map[string]string {
	return map[string]string{
		"passed": "calibration", "attempt": "calibration", "attempts": "calibration", "trigger": "calibration",
		"meltback_left_um": "calibration", "power_correction_pct": "calibration", "recleaved": "calibration",
		"temperature_c": "calibration", "action": "service", "finding": "service", "pair": "service",
		"count": "splice", "loss_db": "splice", "job": "splice", "scope": "setup", "name": "setup",
	}
}

// contract is all of it, ready to check lines.
type contract struct {
	bounds map[string]bound
	texts  map[string]*regexp.Regexp
	only   map[string]string
}

func newContract() contract {
	c := contract{bounds(), map[string]*regexp.Regexp{}, only()}
	for name, pattern := range texts() {
		c.texts[name] = regexp.MustCompile("^(" + pattern + ")$")
	}
	return c
}

// parse checks one line against the contract and gives its fields.
func (c contract) parse(t *testing.T, l blind.Line) map[string]any {
	t.Helper()
	f := map[string]any{}
	require.NoError(t, json.Unmarshal(l.JSON, &f))
	for name, x := range f {
		good := false
		switch x := x.(type) {
		case float64:
			b, known := c.bounds[name]
			good = known && x >= b.lo && x <= b.hi
		case string:
			r, known := c.texts[name]
			good = known && r.MatchString(x)
		case bool:
			good = name == "passed" || name == "recleaved"
		}
		if o := c.only[name]; !good || o != "" && o != f["type"] {
			t.Fatalf("%s: %v in %s", name, x, l.JSON)
		}
	}
	if _, told := f["passed"]; f["type"] == "calibration" && (!told || f["attempt"] != nil && f["attempts"] != nil) {
		t.Fatalf("%s", l.JSON)
	}
	if f["type"] != "setup" && f["machine"] == nil {
		t.Fatalf("%s", l.JSON)
	}
	return f
}

func at(t *testing.T, f map[string]any) time.Time {
	t.Helper()
	at, err := time.Parse(time.RFC3339, f["time"].(string))
	require.NoError(t, err)
	return at
}

func TestRecordsKeepTheContract(t *testing.T) {
	c := newContract()
	for seed := range uint64(6) {
		for _, mess := range []bool{false, true} {
			w := wish(seed + 90)
			w.Mess = mess
			f := World(w)
			grades := map[string]string{}
			for _, m := range f.Machines {
				grades[m.Name] = m.Grade
			}
			var last time.Time
			for _, l := range f.Lines {
				r := c.parse(t, l)
				when := at(t, r)
				if l.Received.Before(last) {
					t.Fatal("not in order of arrival")
				}
				last = l.Received
				if !mess && when.After(l.Received) {
					t.Fatalf("known before it happened: %s", l.JSON)
				}
				_, set := r["power_setting_pct"]
				_, melt := r["meltback_left_um"]
				_, change := r["power_correction_pct"]
				name, _ := r["machine"].(string)
				if grade := grades[name]; grade != "full" && (set || melt) || grade == "pass-fail" && change {
					t.Fatalf("more than a grade of %s tells: %s", grade, l.JSON)
				}
			}
		}
	}
}

func TestWholeSessionsAreOneRecord(t *testing.T) {
	c := newContract()
	w := wish(11)
	w.Typing = blind.WholeSession
	f := World(w)
	told := map[string]int{}
	for _, l := range f.Lines {
		if r := c.parse(t, l); r["type"] == "calibration" {
			require.NotContains(t, r, "attempt")
			told[r["machine"].(string)]++
		}
	}
	for _, h := range histories(f) {
		if !h.crew.onlyPass {
			require.Equal(t, len(h.sessions), told[h.name])
		}
	}
}

func TestOneRecordForEachAttempt(t *testing.T) {
	c := newContract()
	w := wish(11)
	w.Typing = blind.EachAttempt
	f := World(w)
	told := map[string]int{}
	for _, l := range f.Lines {
		if r := c.parse(t, l); r["type"] == "calibration" {
			require.NotContains(t, r, "attempts")
			told[r["machine"].(string)]++
		}
	}
	for _, h := range histories(f) {
		n := 0
		for _, s := range h.sessions {
			n += len(s.tries)
		}
		if !h.crew.onlyPass {
			require.Equal(t, n, told[h.name])
		}
	}
}

func TestMessIsThere(t *testing.T) {
	c := newContract()
	again, old, early, notes, sessions := 0, 0, 0, 0, 0
	for seed := range uint64(6) {
		w := wish(seed + 120)
		w.Mess, w.Typing = true, blind.EachAttempt
		f := World(w)
		seen := map[string]bool{}
		for _, l := range f.Lines {
			r := c.parse(t, l)
			if seen[string(l.JSON)] {
				again++
			}
			seen[string(l.JSON)] = true
			when := at(t, r)
			if when.Year() == 1980 {
				old++
			}
			if when.Sub(l.Received) > 12*time.Hour {
				early++
			}
			if r["attempts"] != nil {
				notes++
			}
		}
		for _, h := range histories(f) {
			sessions += len(h.sessions)
		}
	}
	require.Positive(t, again)
	require.Positive(t, old)
	require.Positive(t, early)
	require.InDelta(t, 0.035, float64(notes)/float64(sessions), 0.02)
}
