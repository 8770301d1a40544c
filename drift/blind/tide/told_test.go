package tide

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"arcdrift/drift/blind"
)

var start = time.Date(2025, 3, 3, 0, 0, 0, 0, time.UTC)

func wish(seed uint64) blind.Wish {
	return blind.Wish{Seed: seed, Machines: 8, Days: 100, Start: start}
}

func text(f *blind.Fleet) string {
	var b bytes.Buffer
	for _, l := range f.Lines {
		fmt.Fprintf(&b, "%s %s\n", l.Received.Format(time.RFC3339Nano), l.JSON)
	}
	return b.String()
}

func TestTheSameWishGivesTheSameFleet(t *testing.T) {
	w := wish(7)
	w.Mess = true
	one, two := World(w), World(w)
	if text(one) != text(two) || !slices.Equal(one.About, two.About) {
		t.Error("two fleets of one wish differ")
	}
	at := start.AddDate(0, 0, 40)
	for i := range one.Machines {
		a, b := one.Machines[i], two.Machines[i]
		if !slices.Equal(a.Futures(at, 4000, 20, 5), b.Futures(at, 4000, 20, 5)) || !slices.Equal(a.Moves, b.Moves) {
			t.Errorf("%s: another truth of the same wish", a.Name)
		}
	}
	w.Seed++
	if text(one) == text(World(w)) {
		t.Error("another seed gives the same fleet")
	}
}

// What is told, and how, leaves the fleet as it is.
func TestTellingChangesNoTruth(t *testing.T) {
	plain := World(wish(3))
	for _, w := range []blind.Wish{
		{Mess: true}, {Typing: blind.WholeSession}, {Typing: blind.EachAttempt}, {Grade: "pass-fail"},
	} {
		w.Seed, w.Machines, w.Days, w.Start = 3, 8, 100, start
		other := World(w)
		for i, m := range plain.Machines {
			for day := 5; day < 100; day += 13 {
				at := start.Add(time.Duration(day)*24*time.Hour + 10*time.Hour)
				o := other.Machines[i]
				if m.At(at) != o.At(at) || m.Lived(at, 6000) != o.Lived(at, 6000) {
					t.Fatalf("%+v: %s differs on day %d", w, m.Name, day)
				}
			}
		}
	}
}

// bounds are those of the contract.
func bounds() map[string][2]float64 {
	return map[string][2]float64{
		"meltback_left_um": {0, 2000}, "meltback_right_um": {0, 2000}, "meltback_target_um": {0, 2000},
		"meltback_tolerance_um": {0, 2000}, "centre_offset_um": {-500, 500}, "power_setting_pct": {-60, 60},
		"power_correction_pct": {-60, 60}, "power_limit_pct": {0, 60}, "arc_count": {0, 1e7}, "temperature_c": {-40, 60},
		"humidity_pct": {0, 100}, "altitude_m": {-430, 6000}, "pressure_hpa": {400, 1100}, "attempt": {1, 20},
		"attempts": {1, 20}, "seq": {0, 1e9}, "epoch": {0, 1e9}, "count": {1, 1e4}, "loss_db": {0, 1},
		"attempt_limit": {1, 20}, "limit_pct": {0, 60}, "conditioning_arcs": {0, 1000},
	}
}

// fields are those that each type of record may have, beside who and when.
func fields() map[string]string {
	const who = " type id source epoch seq machine model program site operator time "
	return map[string]string{
		"calibration": who + "session attempt attempts passed meltback_left_um meltback_right_um meltback_target_um " +
			"meltback_tolerance_um centre_offset_um power_setting_pct power_correction_pct power_limit_pct arc_count " +
			"temperature_c humidity_pct altitude_m pressure_hpa trigger cleaver recleaved ",
		"service": who + "arc_count action pair finding ",
		"usage":   who + "arc_count ",
		"splice":  who + "count loss_db job ",
		"setup":   " type id time scope name attempt_limit limit_pct conditioning_arcs ",
	}
}

func decode(t *testing.T, line []byte) map[string]any {
	t.Helper()
	var r map[string]any
	if err := json.Unmarshal(line, &r); err != nil {
		t.Fatalf("%s: %v", line, err)
	}
	return r
}

func TestRecordsKeepToTheContract(t *testing.T) {
	limits, allowed := bounds(), fields()
	words := map[string]string{
		"trigger": "start-of-day moved weather electrode-service other", "action": "cleaned replaced inspected",
		"finding": "worn dirty fine cleaver other", "scope": "fleet model",
	}
	seen := map[string]int{}
	for seed := uint64(1); seed <= 12; seed++ {
		w := wish(seed)
		w.Mess, w.Typing = seed%2 == 0, blind.Typing(seed%3)
		var last time.Time
		for _, l := range World(w).Lines {
			if l.Received.Before(last) {
				t.Fatal("lines are not in the order of arrival")
			}
			last = l.Received
			r := decode(t, l.JSON)
			kind, _ := r["type"].(string)
			seen[kind]++
			if _, err := time.Parse(time.RFC3339, r["time"].(string)); err != nil {
				t.Errorf("%s: %v", l.JSON, err)
			}
			for name, v := range r {
				if !strings.Contains(allowed[kind], " "+name+" ") {
					t.Errorf("%s has %q", kind, name)
				}
				if b, ok := limits[name]; ok {
					if x, _ := v.(float64); x < b[0] || x > b[1] || strings.HasPrefix(name, "meltback") && x == 0 {
						t.Errorf("%s is %v", name, v)
					}
				} else if list, ok := words[name]; ok && !slices.Contains(strings.Fields(list), v.(string)) {
					t.Errorf("%s is %v", name, v)
				}
			}
			if _, each := r["attempt"]; kind == "calibration" && each == (r["attempts"] != nil) {
				t.Errorf("%s: attempt and attempts", l.JSON)
			}
		}
	}
	for kind := range allowed {
		if seen[kind] == 0 {
			t.Errorf("no record of type %s", kind)
		}
	}
}

func TestWishesAreHonoured(t *testing.T) {
	grades := map[string][]string{
		"full": {"meltback_left_um", "power_setting_pct", "power_correction_pct"}, "correction": {"power_correction_pct"}, "pass-fail": {},
	}
	for grade, has := range grades {
		w := wish(11)
		w.Grade, w.Programs, w.EveryDays, w.Typing = grade, 5, 2.5, blind.EachAttempt
		f := World(w)
		programs, sessions := map[any]bool{}, 0.0
		for _, l := range f.Lines {
			r := decode(t, l.JSON)
			if r["type"] != "calibration" {
				continue
			}
			programs[fmt.Sprint(r["machine"], r["program"])] = true
			if r["attempt"] == 1.0 {
				sessions++
			}
			for _, name := range grades["full"] {
				if _, ok := r[name]; ok != slices.Contains(has, name) {
					t.Fatalf("grade %s and %s: %s", grade, name, l.JSON)
				}
			}
		}
		if len(programs) < 3*w.Machines { // some come to use only later
			t.Errorf("%d programs of %d machines", len(programs), w.Machines)
		}
		every := float64(w.Machines*w.Days) / sessions
		if every < 1.8 || every > 3 {
			t.Errorf("a session in %.2f days, wished 2.5", every)
		}
		for _, m := range f.Machines {
			if m.Grade != grade || m.WholeSessions {
				t.Errorf("%s tells %s, whole sessions %t", m.Name, m.Grade, m.WholeSessions)
			}
			if n := len(m.Life.(*life).m.programs); n != w.Programs {
				t.Errorf("%s has %d programs, wished %d", m.Name, n, w.Programs)
			}
		}
	}
}

// A session typed whole is the same session as told by attempts.
func TestWholeSessionsSumUpAttempts(t *testing.T) {
	w := wish(5)
	w.Grade, w.Programs = "full", 1
	w.Typing = blind.EachAttempt
	type sum struct {
		n, correction float64
		last          map[string]any
	}
	each := map[string]*sum{}
	read := func(f *blind.Fleet, tell func(key string, r map[string]any)) {
		for _, l := range f.Lines {
			r := decode(t, l.JSON)
			if r["type"] == "calibration" {
				tell(fmt.Sprint(r["machine"], r["time"]), r)
			}
		}
	}
	open := map[any]*sum{}
	read(World(w), func(key string, r map[string]any) {
		s := open[r["machine"]]
		if s == nil || r["attempt"] == 1.0 {
			s = &sum{}
			open[r["machine"]] = s
		}
		s.n++
		s.correction += r["power_correction_pct"].(float64)
		s.last = r
		each[key] = s
	})
	w.Typing = blind.WholeSession
	n := 0
	read(World(w), func(key string, r map[string]any) {
		s := each[key]
		if s == nil {
			t.Fatalf("no attempt at %s", key)
		}
		n++
		for _, name := range []string{"passed", "meltback_left_um", "power_setting_pct", "arc_count"} {
			if r[name] != s.last[name] {
				t.Errorf("%s %s: %v and %v", key, name, r[name], s.last[name])
			}
		}
		if r["attempts"] != s.n || math.Abs(r["power_correction_pct"].(float64)-s.correction) > 0.006 {
			t.Errorf("%s: %v attempts, sum %v; want %v, %v", key, r["attempts"], r["power_correction_pct"], s.n, s.correction)
		}
	})
	if n < 100 {
		t.Errorf("%d sessions", n)
	}
}
