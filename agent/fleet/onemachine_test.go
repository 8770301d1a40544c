package fleet

import (
	"log/slog"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/drift"
	"arcdrift/drift/advise"
	"arcdrift/drift/lookback"
)

// bookmarks is a store that notes whose history was read.
type bookmarks struct {
	store.Reader
	mu   sync.Mutex
	read map[string]bool
}

func (b *bookmarks) History(machine string) ([]drift.Entry, error) {
	b.mu.Lock()
	b.read[machine] = true
	b.mu.Unlock()
	return b.Reader.History(machine)
}

// since are the machines whose history was read since the last call.
func (b *bookmarks) since() (names []string) {
	for name := range b.read {
		names = append(names, name)
	}
	clear(b.read)
	slices.Sort(names)
	return names
}

// A question to a store that several processes have is answered with the populations that
// they have published: about one machine it reads that machine only, and says what they say.
func TestAQuestionAboutOneMachineReadsOne(t *testing.T) {
	now := evening
	k := newKeeper(t, now)
	before, today := past(t, now)
	k.take(t, before...)
	k.take(t, today...)
	k.keep(k.generation.Load())
	book := &bookmarks{Reader: store.NewReader(k.cache.Store, func(string) {}), read: map[string]bool{}}
	clock := func() time.Time { return now }
	shared := func(build string) *Answers { return NewSharedAnswers(book, build, clock) }
	want := k.Snapshot().Assessments()[0]
	var none drift.Opt[time.Time]

	got, err := shared(k.build).AssessAt(want.Machine, none, none)
	require.NoError(t, err)
	require.Len(t, got, 1)
	got[0].AsOf = want.AsOf
	assert.Equal(t, want, got[0])
	assert.Equal(t, []string{want.Machine}, book.since())
	_, err = shared(k.build).Move(advise.Move{Machine: want.Machine, Temperature: drift.Some(5.0), Humidity: drift.Some(60.0), Altitude: drift.Some(900.0)})
	require.NoError(t, err)
	assert.Equal(t, []string{want.Machine}, book.since())
	_, err = shared(k.build).LookBack(lookback.Question{Machine: want.Machine, From: drift.Some(now.AddDate(0, 0, -3)), To: drift.Some(now)})
	require.NoError(t, err)
	assert.Equal(t, []string{want.Machine}, book.since())

	_, err = shared("another build").AssessAt(want.Machine, none, none)
	require.NoError(t, err)
	assert.Len(t, book.since(), 2, "without them it learns from all")
}

// Earlier forecasts of one machine are learnt from the same sample as other past days, not
// from every machine of a large fleet.
func TestEarlierForecastsReadASample(t *testing.T) {
	before, today := story(t)
	y := newYard(t, evening)
	y.take(t, append(before, today...)...)
	book := &bookmarks{Reader: store.NewReader(y.store, func(string) {}), read: map[string]bool{}}
	f := New(book, func() time.Time { return evening }, slog.New(slog.DiscardHandler))
	names, err := y.store.Machines()
	require.NoError(t, err)
	require.Greater(t, len(names), 2)
	f.priors.sample = func(all []string) []string { return all[:1] }
	said, err := f.Said(names[1])
	require.NoError(t, err)
	require.NotEmpty(t, said)
	assert.Equal(t, names[:2], book.since())
}
