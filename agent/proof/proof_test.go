package proof_test

import (
	"bytes"
	"encoding/json"
	"path/filepath"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/proof"
	"arcdrift/agent/proof/pack"
	"arcdrift/agent/store"
	"arcdrift/agent/storekey"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/phrase"
	"arcdrift/drift/synth"
)

var (
	today   = time.Date(2026, 3, 20, 16, 30, 5, 0, time.UTC)
	knownAt = today
)

// records are a store as answers are read from it.
type records struct{ *store.Store }

func (records) Refused() (map[string]int, error) { return nil, nil }

// told is the store of three machines of the invented contractor, every record with the
// same operator.
func told(t *testing.T) records {
	t.Helper()
	s, err := store.Open(filepath.Join(t.TempDir(), "arcdrift.db"), func() time.Time { return today }, store.Options{})
	require.NoError(t, err)
	t.Cleanup(func() { require.NoError(t, s.Close()) })
	var entries []drift.Entry
	for _, r := range synth.Open(5, today).History {
		if r.Machine != "" && r.Machine != "K-02" && r.Machine != "K-07" && r.Machine != "M-02" {
			continue
		}
		if r.Type != drift.TypeSetup {
			r.Operator, r.Extra = "A. Moor", []byte(`{"phone":"private"}`)
		}
		e := drift.Entry{Record: r, Received: r.Time.Add(time.Minute).UTC(), Via: "import"}
		if e.ID == "" {
			e.ID = e.Identity()
		}
		entries = append(entries, e)
	}
	_, err = s.Append(entries, nil)
	require.NoError(t, err)
	return records{s}
}

// aJob is one that several days and more than one machine worked on.
func aJob(t *testing.T, s records) (job, machine string) {
	t.Helper()
	machines, days := map[string]map[string]bool{}, map[string]int{}
	names, err := s.Machines()
	require.NoError(t, err)
	for _, name := range names {
		history, err := s.History(name)
		require.NoError(t, err)
		for _, e := range history {
			if e.Splice != nil {
				if machines[e.Splice.Job] == nil {
					machines[e.Splice.Job] = map[string]bool{}
				}
				machines[e.Splice.Job][name] = true
				days[e.Splice.Job]++
			}
		}
	}
	for name, n := range days {
		if n > days[job] || n == days[job] && name < job {
			job = name
		}
	}
	require.NotEmpty(t, job)
	for name := range machines[job] {
		machine = max(machine, name)
	}
	return job, machine
}

// nothing is a look-back that has nothing to say.
func nothing(proof.Question) (lookback.Report, error) {
	return lookback.Report{Spans: []lookback.Span{}, Entries: []lookback.Entry{}, Jobs: []lookback.Job{}, Warnings: []string{}}, nil
}

func gather(t *testing.T, s records, q proof.Question) *proof.Facts {
	t.Helper()
	f, err := proof.Gather(s, nil, q, nothing)
	require.NoError(t, err)
	f.Store, f.Software = s.Name(), pack.Software{Name: "arcdrift", Version: "0.1.0", Revision: "test"}
	return f
}

func ring(t *testing.T) *storekey.Ring {
	t.Helper()
	r, err := storekey.Open(filepath.Join(t.TempDir(), "store.key"), today)
	require.NoError(t, err)
	return r
}

func sealed(t *testing.T, f *proof.Facts, key *storekey.Ring) []byte {
	t.Helper()
	raw, err := f.Seal(key, nil)
	require.NoError(t, err)
	return raw
}

func files(t *testing.T, raw []byte) map[string][]byte {
	t.Helper()
	found, files, err := pack.Check(raw)
	require.NoError(t, err)
	require.Empty(t, found.Wrong)
	return files
}

// The same store and moment make the same bytes, whatever has come since; a later moment
// makes others.
func TestAPackStaysAsItWas(t *testing.T) {
	t.Parallel()
	s, key := told(t), ring(t)
	job, machine := aJob(t, s)
	question := proof.Question{Job: job, KnownAt: knownAt}
	first := sealed(t, gather(t, s, question), key)
	assert.True(t, bytes.Equal(first, sealed(t, gather(t, s, question), key)))

	late := drift.Entry{Received: knownAt.Add(time.Hour), Via: "import", Record: drift.Record{Type: drift.TypeSplice, ID: "late", Machine: machine, Time: knownAt.Add(-time.Hour),
		Splice: &drift.Splice{Count: drift.Some[int64](7), Job: job}}}
	_, err := s.Append([]drift.Entry{late}, nil)
	require.NoError(t, err)
	assert.True(t, bytes.Equal(first, sealed(t, gather(t, s, question), key)), "it arrived later")
	question.KnownAt = knownAt.Add(2 * time.Hour)
	assert.Contains(t, string(files(t, sealed(t, gather(t, s, question), key))["data/records.jsonl"]), `"late"`)
}

// A pack of a job names no person, no other job, and nothing the sender kept for itself;
// its records can be read again.
func TestAPackTellsNoMoreThanItShould(t *testing.T) {
	t.Parallel()
	s, key := told(t), ring(t)
	job, _ := aJob(t, s)
	raw := sealed(t, gather(t, s, proof.Question{Job: job, KnownAt: knownAt}), key)
	names, err := s.Pseudonyms()
	require.NoError(t, err)
	for name, content := range files(t, raw) {
		for _, secret := range []string{"Moor", "private"} {
			assert.NotContains(t, string(content), secret, name)
		}
	}
	records := files(t, raw)["data/records.jsonl"]
	assert.Contains(t, string(records), names["A. Moor"])
	splices, checks := 0, 0
	for line := range bytes.Lines(records) {
		var one struct{ Job, Type string }
		require.NoError(t, json.Unmarshal(line, &one))
		if one.Type == "splice" {
			assert.Equal(t, job, one.Job)
			splices++
		}
		if one.Type == "calibration" {
			checks++
		}
	}
	assert.Positive(t, splices)
	assert.Positive(t, checks)
	assert.LessOrEqual(t, bytes.Count(files(t, raw)["CHECKING.txt"], []byte("\n")), 60)
}

// What the document says of splices, checks and gaps is what the records say.
func TestTheDocumentSaysWhatTheRecordsSay(t *testing.T) {
	t.Parallel()
	s := told(t)
	job, machine := aJob(t, s)
	f := gather(t, s, proof.Question{Job: job, KnownAt: knownAt})
	splices := 0
	for _, m := range f.Machines {
		history, err := s.History(m.Machine)
		require.NoError(t, err)
		for _, e := range history {
			if e.Splice != nil && e.Splice.Job == job {
				splices += int(e.Splice.Made())
			}
		}
	}
	page, err := f.Document("21fe 31df").HTML()
	require.NoError(t, err)
	assert.Contains(t, string(page), phrase.Count(splices, "splice")+" were made with")
	assert.Contains(t, string(page), "21fe 31df")
	for _, m := range f.Machines {
		assert.Contains(t, string(page), m.Machine)
		for _, d := range m.Days {
			if d.Before != nil {
				assert.False(t, d.Before.Ended.After(d.First), "the check before a splice is before it")
			}
			if d.After != nil {
				assert.True(t, d.After.Began.After(d.First))
			}
		}
	}
	whole := gather(t, s, proof.Question{Machine: machine, From: today.AddDate(0, -2, 0), To: today, KnownAt: knownAt})
	require.Len(t, whole.Machines, 1)
	assert.Equal(t, machine, whole.Machines[0].Machine)
	for _, c := range whole.Machines[0].Checks {
		assert.False(t, c.Began.Before(whole.From) || c.Began.After(whole.To))
	}
}

// The look-back may say that some of a day's splices were made on the day before: none is
// counted twice.
func TestNoSpliceIsCountedTwice(t *testing.T) {
	t.Parallel()
	s := told(t)
	job, _ := aJob(t, s)
	q := proof.Question{Job: job, KnownAt: knownAt}
	plain := gather(t, s, q)
	moved := func(q proof.Question) (lookback.Report, error) {
		r, err := nothing(q)
		for _, m := range plain.Machines {
			for _, d := range m.Days {
				eve, _ := time.Parse(time.DateOnly, d.Day)
				r.Entries = append(r.Entries, lookback.Entry{Machine: m.Machine, Day: d.Day, Job: job, Splices: d.Splices - 1, Counted: true},
					lookback.Entry{Machine: m.Machine, Day: eve.AddDate(0, 0, -300).Format(time.DateOnly), Job: job, Splices: 1, Counted: true})
			}
		}
		return r, err
	}
	f, err := proof.Gather(s, nil, q, moved)
	require.NoError(t, err)
	count := func(f *proof.Facts) (n int) {
		for _, m := range f.Machines {
			for _, d := range m.Days {
				assert.True(t, d.Counted)
				n += d.Splices
			}
		}
		return n
	}
	assert.Equal(t, count(plain), count(f))
}

func TestWhatNobodyKnowsIsNamed(t *testing.T) {
	t.Parallel()
	s := told(t)
	job, machine := aJob(t, s)
	_, err := proof.Gather(s, nil, proof.Question{Job: job + "x", KnownAt: knownAt}, nothing)
	var problem *drift.Problem
	require.ErrorAs(t, err, &problem)
	assert.ErrorContains(t, err, "no splice record names it; the nearest known one is "+job)
	_, err = proof.Gather(s, nil, proof.Question{Machine: machine + "0", KnownAt: knownAt}, nothing)
	require.ErrorAs(t, err, &problem)
	assert.ErrorContains(t, err, "no record names it")
	_, err = proof.Gather(s, nil, proof.Question{Job: job, KnownAt: today.AddDate(-1, 0, 0)}, nothing)
	assert.ErrorContains(t, err, "no splice record names it", "nothing had arrived")
}

func TestAFileNameIsOne(t *testing.T) {
	t.Parallel()
	assert.Equal(t, "proof-job-J-114.zip", proof.Question{Job: "J-114"}.FileName())
	assert.Equal(t, "proof-job---etc-passwd.zip", proof.Question{Job: "//etc/passwd"}.FileName())
}

func maker(t *testing.T, s records) *proof.Maker {
	t.Helper()
	return &proof.Maker{Store: s, Name: s.Name(), KeyFile: filepath.Join(t.TempDir(), "store.key"), Software: pack.Software{Name: "arcdrift", Version: "0.1.0", Revision: "test"}, Now: func() time.Time { return today }}
}

// A pack that is made again is the same, or what has changed is said.
func TestAPackMadeAgainSaysWhatChanged(t *testing.T) {
	t.Parallel()
	s := told(t)
	m := maker(t, s)
	job, machine := aJob(t, s)
	raw, err := m.Make(t.Context(), nil, proof.Question{Job: job})
	require.NoError(t, err)
	again := func() []string {
		found, changed, err := m.Again(t.Context(), raw)
		require.NoError(t, err)
		require.Empty(t, found.Wrong)
		return changed
	}
	assert.Empty(t, again())

	// A record that had arrived in a van before, and comes to this hub after.
	late := drift.Entry{Received: today.Add(-time.Minute), Via: "hub", Record: drift.Record{Type: drift.TypeSplice, ID: "late", Machine: machine, Time: knownAt.Add(-26 * time.Hour),
		Splice: &drift.Splice{Count: drift.Some[int64](7), Job: job}}}
	_, err = s.Append([]drift.Entry{late}, nil)
	require.NoError(t, err)
	said := again()
	assert.Contains(t, said[0], "1 record of "+machine+" that had arrived elsewhere before the moment of the pack")
	assert.Contains(t, said, "The record late is in the new pack only.")
	assert.Contains(t, said, "document.pdf is not the same.")

	key, err := storekey.Open(m.KeyFile, today)
	require.NoError(t, err)
	require.NoError(t, key.Replace(storekey.Planned, today))
	m.Software.Version = "0.2.0"
	said = again()
	assert.Contains(t, said[0], "the store's key is now "+key.Current().Fingerprint())
	assert.Contains(t, said[1], "this is 0.2.0")

	other := told(t)
	m.Store, m.Name = other, other.Name()
	said = again()
	assert.Contains(t, said[0], "this is the store "+other.Name())
	assert.Contains(t, said[len(said)-1], "is not the same")
}
