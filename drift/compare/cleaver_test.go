package compare

import (
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// shop follows tries by hand: each line is a record.
type shop struct {
	at      time.Time
	entries []drift.Entry
	arcs    int64
}

func (s *shop) session(cleaver string, tries int64, passed bool) {
	s.at = s.at.Add(2 * time.Hour)
	s.arcs += 10
	s.add(drift.Record{Type: drift.TypeCalibration, ArcCount: drift.Some(s.arcs), Calibration: &drift.Calibration{Attempts: drift.Some(tries), Passed: drift.Some(passed), Cleaver: cleaver}})
}

func (s *shop) service(action drift.Action, finding drift.Finding) {
	s.at = s.at.Add(time.Hour)
	s.add(drift.Record{Type: drift.TypeService, ArcCount: drift.Some(s.arcs), Service: &drift.Service{Action: action, Finding: finding}})
}

func (s *shop) add(r drift.Record) {
	r.Machine, r.Time, r.ID = "K-01", s.at, fmt.Sprint(len(s.entries))
	s.entries = append(s.entries, drift.Entry{Record: r, Received: r.Time})
}

func (s *shop) read() Machine {
	kind := model.Prior()
	return Read(&Past{Machine: "K-01", Kind: &kind, Entries: s.entries}, s.at)
}

// A change of cleaver that cures two failed tries or more ends the life of the one
// before; a single failed try, a cure by the electrodes and a change that cures nothing
// do not.
func TestACureEndsACleaversLife(t *testing.T) {
	t.Parallel()
	s := shop{at: day.AddDate(0, 0, -30)}
	for range 10 {
		s.session("A", 1, true)
	}
	s.session("A", 3, false)
	s.session("B", 1, true) // cured
	s.session("A", 1, false)
	s.session("B", 1, true) // one failed try may be chance
	s.session("B", 3, false)
	s.session("A", 2, false) // cures nothing
	s.service(drift.Cleaned, drift.Dirty)
	s.session("B", 1, true) // the electrodes did
	s.session("A", 2, false)
	s.service(drift.Inspected, drift.CleaverFault) // the bench blames A
	s.session("B", 1, true)
	byName := map[string]CleaverLife{}
	lives, blunt := cleavers([]Machine{s.read()})
	assert.Equal(t, 2, blunt)
	for _, c := range lives {
		byName[c.Cleaver] = c
	}
	require.Len(t, byName, 2)
	a, b := byName["A"], byName["B"]
	assert.Equal(t, 2, a.Blunt)
	assert.Equal(t, 5, a.Cured, "three by the change, two by the bench")
	assert.Equal(t, 0, a.Uses, "new since the bench found it blunt")
	assert.Equal(t, 18, a.AllUses)
	assert.Equal(t, 0, b.Blunt)
	assert.Equal(t, b.AllUses, b.Uses)
	assert.Nil(t, a.Left)
	assert.Contains(t, b.Words, "Cannot tell")
}

// Edges that last as a Weibull distribution of shape 2 says: the forecast's interval
// holds the remaining uses eight times in ten, within four standard errors, and more
// edges narrow it.
func TestUsesLeftAreWhatComes(t *testing.T) {
	t.Parallel()
	rng := rand.New(rand.NewPCG(7, 8))
	inside, all := 0, 0
	width := map[int]float64{}
	for range 100 {
		for _, n := range []int{6, 60} {
			var machines []Machine
			edge := func() float64 { return math.Ceil(400 * math.Sqrt(rng.ExpFloat64())) }
			for i := range n {
				machines = append(machines, Machine{uses: []use{{at: day, cleaver: fmt.Sprint("X", i), tries: int(edge()), cured: 2}}})
			}
			// One that has lasted for 150 uses so far.
			left := 0.0
			for left <= 150 {
				left = edge()
			}
			machines = append(machines, Machine{uses: []use{{at: day, cleaver: "now", tries: 150}}})
			lives, _ := cleavers(machines)
			for _, c := range lives {
				if c.Cleaver != "now" {
					continue
				}
				require.NotNil(t, c.Left)
				assert.LessOrEqual(t, c.Left.P10, c.Left.P50)
				width[n] += c.Left.P90 - c.Left.P10
				all++
				if rest := left - 150; c.Left.P10 <= rest && rest <= c.Left.P90 {
					inside++
				}
			}
		}
	}
	assert.InDelta(t, 0.8, float64(inside)/float64(all), 4*math.Sqrt(0.8*0.2/float64(all)))
	assert.Less(t, width[60], width[6])
}
