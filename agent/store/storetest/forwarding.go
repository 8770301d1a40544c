package storetest

import (
	"fmt"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/store"
	"arcdrift/agent/wire"
	"arcdrift/drift"
)

func cursors(t *testing.T, s Store) {
	at := func(hub string, want store.Cursor) {
		t.Helper()
		got, err := s.Cursor(hub)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
	at("https://hub.example", store.Cursor{})
	first, second := store.Cursor{Epoch: 1, Seq: 2, Refusal: 3, People: 4}, store.Cursor{Epoch: 5, Seq: 1 << 40}
	require.NoError(t, s.SetCursor("https://hub.example", first))
	require.NoError(t, s.SetCursor("https://hub.example/2", second))
	at("https://hub.example", first)
	at("https://hub.example/2", second)
	require.NoError(t, s.SetCursor("https://hub.example", store.Cursor{}))
	at("https://hub.example", store.Cursor{})
}

// refused is one refusal, as it first came.
func refused(machine, raw string) drift.Refusal {
	return drift.Refusal{Machine: machine, Via: "mqtt", Raw: []byte(raw), Size: len(raw), Time: Received(), Last: Received(), Times: 1,
		Problem: drift.Problem{Field: "humidity_pct", Value: "140", Reason: "must be from 0 to 100 percent"}}
}

func refusalsSince(t *testing.T, s Store) {
	add := func(r ...drift.Refusal) {
		t.Helper()
		_, err := s.Append(nil, r)
		require.NoError(t, err)
	}
	since := func(change uint64, limit int) (raws []string, last uint64) {
		t.Helper()
		changed, err := s.RefusalsSince(change, limit)
		require.NoError(t, err)
		for _, c := range changed {
			require.Greater(t, c.Change, max(change, last), "in order of changing")
			raws, last = append(raws, string(c.Raw)), c.Change
		}
		return raws, max(change, last)
	}
	none, zero := since(0, 10)
	assert.Empty(t, none)
	add(refused("K-07", "one"), refused("K-08", "two"), refused("K-07", "three"))
	some, at := since(zero, 2)
	assert.Equal(t, []string{"one", "two"}, some)
	rest, end := since(at, 10)
	assert.Equal(t, []string{"three"}, rest)
	add(refused("K-07", "one"))
	again, end := since(end, 10)
	assert.Equal(t, []string{"one"}, again, "what comes again has changed")
	nothing, _ := since(end, 10)
	assert.Empty(t, nothing)
}

// by is a calibration that names a person, or nobody.
func by(name string, arcs int) drift.Entry {
	e := Calibration("K-07", arcs)
	e.Operator = name
	return e
}

// operators are the names in the records of K-07: as they are shown, and as they
// are sent to a hub.
func operators(t *testing.T, s Store) (shown, sent []string) {
	t.Helper()
	h, err := s.History("K-07")
	require.NoError(t, err)
	for i := range h {
		shown = append(shown, h[i].Operator)
	}
	all, err := s.SincePseudonymous(0, 0, 0)
	require.NoError(t, err)
	for i := range all {
		sent = append(sent, all[i].Operator)
	}
	return shown, sent
}

func peopleHavePseudonyms(t *testing.T, s Store) {
	keep(t, s, by("Ada Ruiz", 1), by("Jo Lund", 2), by("", 3), by("Ada Ruiz", 4))
	shown, sent := operators(t, s)
	assert.Equal(t, []string{"Ada Ruiz", "Jo Lund", "", "Ada Ruiz"}, shown)
	require.Len(t, sent, 4)
	assert.True(t, drift.IsPseudonym(sent[0]) && drift.IsPseudonym(sent[1]))
	assert.NotEqual(t, sent[0], sent[1])
	assert.Empty(t, sent[2])
	assert.Equal(t, sent[0], sent[3], "one person, one pseudonym")

	people, err := s.PeopleSince(0, 10)
	require.NoError(t, err)
	require.Len(t, people, 2)
	assert.Equal(t, wire.Person{Pseudonym: sent[0], Name: "Ada Ruiz"}, people[0].Person)
	assert.Equal(t, wire.Person{Pseudonym: sent[1], Name: "Jo Lund"}, people[1].Person)
	later, err := s.PeopleSince(people[0].Change, 10)
	require.NoError(t, err)
	assert.Equal(t, people[1:], later)
	one, err := s.PeopleSince(0, 1)
	require.NoError(t, err)
	assert.Equal(t, people[:1], one)
}

func aPersonIsForgotten(t *testing.T, s Store) {
	keep(t, s, by("Ada Ruiz", 1), by("Jo Lund", 2))
	require.NoError(t, s.Decide([]byte(`{"by":"Ada Ruiz"}`), [][]byte{[]byte("closed by Ada Ruiz.")},
		[]store.OutboxItem{{Queue: "mail", Key: "k", Body: []byte("Ada Ruiz cleaned it")}}))
	_, err := s.Append(nil, []drift.Refusal{refused("K-07", `{"operator":"Ada Ruiz"}`)})
	require.NoError(t, err)
	before, err := s.Digests()
	require.NoError(t, err)
	known, err := s.PeopleSince(0, 10)
	require.NoError(t, err)

	_, err = s.Forget("Ada Ruitz")
	var problem *drift.Problem
	require.ErrorAs(t, err, &problem, "nobody has that name")
	pseudonym, err := s.Forget("Ada Ruiz")
	require.NoError(t, err)
	shown, sent := operators(t, s)
	assert.Equal(t, []string{pseudonym, "Jo Lund"}, shown)
	assert.Equal(t, pseudonym, sent[0])
	changed, err := s.PeopleSince(known[1].Change, 10)
	require.NoError(t, err)
	require.Len(t, changed, 1)
	assert.Equal(t, wire.Person{Pseudonym: pseudonym}, changed[0].Person, "a hub is told")
	after, err := s.Digests()
	require.NoError(t, err)
	assert.Equal(t, before, after, "names are no part of a digest")

	state, err := s.Decided()
	require.NoError(t, err)
	outcomes, err := s.Outcomes()
	require.NoError(t, err)
	waiting, _, err := s.Oldest("mail")
	require.NoError(t, err)
	refusals, err := s.Refusals("", 0)
	require.NoError(t, err)
	for _, text := range []string{string(state), string(outcomes[0]), string(waiting.Body), string(refusals[0].Raw)} {
		assert.NotContains(t, text, "Ruiz")
	}

	again := keep(t, s, by("Ada Ruiz", 1), by(pseudonym, 1))
	assert.True(t, again[0].Duplicate, "sent again with the name it is a repeat")
	assert.True(t, again[1].Duplicate, "and with the pseudonym")
	keep(t, s, by("Ada Ruiz", 9))
	shown, sent = operators(t, s)
	assert.Equal(t, "Ada Ruiz", shown[2])
	assert.NotEqual(t, pseudonym, sent[2], "in a new record the name is a new person's")
}

// A hub learns from a van who the pseudonyms are, and whom the van has forgotten.
func pseudonymsAreLearnt(t *testing.T, s Store) {
	const one, two = drift.PseudonymPrefix + "abcdefghij234567", drift.PseudonymPrefix + "klmnopqrst234567"
	keep(t, s, by(one, 1), by(two, 2))
	shown, _ := operators(t, s)
	assert.Equal(t, []string{one, two}, shown, "nobody has said who they are")
	require.NoError(t, s.Learn([]wire.Person{{Pseudonym: one, Name: "Ada Ruiz"}, {Pseudonym: two, Name: "Ada Ruiz"}}))
	shown, sent := operators(t, s)
	assert.Equal(t, []string{"Ada Ruiz", "Ada Ruiz"}, shown, "two vans gave her one each")
	assert.Equal(t, []string{one, two}, sent)
	assert.True(t, keep(t, s, by("Ada Ruiz", 1))[0].Duplicate)
	require.NoError(t, s.Learn([]wire.Person{{Pseudonym: two}}))
	shown, _ = operators(t, s)
	assert.Equal(t, []string{one, one}, shown, "the van has forgotten her, and so does the hub")
	require.NoError(t, s.Learn([]wire.Person{{Pseudonym: two, Name: "Ada Ruiz"}}))
	shown, _ = operators(t, s)
	assert.Equal(t, []string{one, one}, shown, "and does not learn the name again under that pseudonym")
}

// Two stores that took the same have the same digests, in whichever order.
func digests(t *testing.T, s, other Store) {
	var all []drift.Entry
	for i := range 12 {
		all = append(all, Calibration(fmt.Sprintf("K-%d", i%3), i))
	}
	keep(t, s, all...)
	for i := range all {
		keep(t, other, all[len(all)-1-i])
	}
	of := func(s Store) (map[string]store.Digest, store.Digest) {
		t.Helper()
		machines, err := s.Digests()
		require.NoError(t, err)
		refusals, err := s.RefusedDigest()
		require.NoError(t, err)
		return machines, refusals
	}
	machines, none := of(s)
	require.Len(t, machines, 3)
	assert.EqualValues(t, 4, machines["K-1"].Records)
	same, _ := of(other)
	assert.Equal(t, machines, same)

	later := Calibration("K-1", 99)
	later.Received = Received().Add(time.Second)
	keep(t, other, later)
	_, err := other.Append(nil, []drift.Refusal{refused("K-07", "one")})
	require.NoError(t, err)
	differs, one := of(other)
	assert.Equal(t, machines["K-0"], differs["K-0"])
	assert.NotEqual(t, machines["K-1"], differs["K-1"])
	assert.NotEqual(t, none, one)
}
