package proof

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"sync"
	"time"

	"arcdrift/agent/fleet"
	"arcdrift/agent/proof/pack"
	"arcdrift/agent/storekey"
	"arcdrift/drift"
	"arcdrift/drift/lookback"
	"arcdrift/drift/phrase"
)

// Maker makes the packs of one store.
type Maker struct {
	Store Store
	// Name is the store's, KeyFile where its private key lies.
	Name, KeyFile string
	Software      pack.Software
	// StampServer is the address of a time-stamp server, "" for none.
	StampServer string
	Now         func() time.Time

	one sync.Mutex // a pack is work for all processors
}

// stampPatience is how long a time-stamp server may take.
const stampPatience = 30 * time.Second

// Make makes a pack from a part of the fleet, nil for all of it. Without a moment it is as
// known now.
func (m *Maker) Make(ctx context.Context, part drift.Part, q Question) ([]byte, error) {
	if q.KnownAt.IsZero() {
		q.KnownAt = m.Now()
	}
	q.KnownAt = q.KnownAt.UTC()
	ring, err := storekey.Open(m.KeyFile, m.Now())
	if err != nil {
		return nil, err
	}
	m.one.Lock()
	defer m.one.Unlock()
	f, err := Gather(m.Store, part, q, func(q Question) (lookback.Report, error) {
		asked := lookback.Question{Job: q.Job, Machine: q.Machine}
		if q.Job == "" {
			asked.From, asked.To = drift.Some(q.From), drift.Some(q.To)
		}
		return fleet.Doubt(ctx, m.Store, q.KnownAt, part, asked)
	})
	if err != nil {
		return nil, err
	}
	f.Store, f.Software = m.Name, m.Software
	if m.StampServer == "" {
		return f.Seal(ring, nil)
	}
	return f.Seal(ring, pack.StampBy(ctx, &http.Client{Timeout: stampPatience}, m.StampServer))
}

// Zone is the time zone of a machine, in which its days are.
func (m *Maker) Zone(machine string) (*time.Location, error) {
	if machine == "" {
		return time.UTC, nil
	}
	return fleet.ZoneOf(m.Store, machine, m.Now())
}

// Fingerprint is that of the key that signs.
func (m *Maker) Fingerprint() (string, error) {
	ring, err := storekey.Open(m.KeyFile, m.Now())
	if err != nil {
		return "", err
	}
	return ring.Current().Fingerprint(), nil
}

// Again makes a pack again, for the same question and moment, and returns sentences on
// what differs; none if every byte is the same. A time stamp does not count.
func (m *Maker) Again(ctx context.Context, raw []byte) (*pack.Finding, []string, error) {
	was, before, err := pack.Check(raw)
	if err != nil || len(was.Wrong) > 0 {
		return was, nil, err
	}
	q := Question{Job: was.Manifest.Job, Machine: was.Manifest.Machine, KnownAt: was.Manifest.KnownAt}
	if from, to := was.Manifest.From, was.Manifest.To; from != nil && to != nil {
		q.From, q.To = *from, *to
	}
	bare := Maker{Store: m.Store, Name: m.Name, KeyFile: m.KeyFile, Software: m.Software, Now: m.Now}
	fresh, err := bare.Make(ctx, nil, q)
	if err != nil {
		return was, nil, err
	}
	is, now, err := pack.Check(fresh)
	if err != nil {
		return was, nil, err
	}
	return was, changes(was, is, before, now), nil
}

// changes says how a pack differs from an earlier one.
func changes(was, is *pack.Finding, before, now map[string][]byte) (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	a, b := &was.Manifest, &is.Manifest
	if a.Store != b.Store {
		say("The pack was made from the store %s, and this is the store %s.", a.Store, b.Store)
	}
	if a.Key != b.Key {
		say("The pack was signed by the key %s, and the store's key is now %s.", was.Fingerprint, is.Fingerprint)
	}
	if a.Software != b.Software {
		say("The pack was made by %s %s, revision %s, and this is %s, revision %s: it may word and estimate otherwise.", a.Software.Name, a.Software.Version, a.Software.Revision, b.Software.Version, b.Software.Revision)
	}
	for _, head := range a.Heads {
		at := slices.IndexFunc(b.Heads, func(h pack.Head) bool { return h.Machine == head.Machine })
		switch {
		case at < 0:
			say("The store has no records of %s any more.", head.Machine)
		case b.Heads[at].Entries > head.Entries:
			say("%s of %s that had arrived elsewhere before the moment of the pack came to this store after it.", phrase.Sentence(phrase.Count(b.Heads[at].Entries-head.Entries, "record")), head.Machine)
		case b.Heads[at] != head:
			say("The chain of %s is not the one in the pack: its records in the store are not those that the pack was made from. Run arcdrift verify and compare with a backup.", head.Machine)
		}
	}
	earlier, later := ids(before["data/records.jsonl"]), ids(now["data/records.jsonl"])
	for _, id := range slices.Sorted(maps.Keys(later)) {
		if !earlier[id] {
			say("The record %s is in the new pack only.", id)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(earlier)) {
		if !later[id] {
			say("The record %s was in the pack and is not in the new one.", id)
		}
	}
	for _, name := range slices.Sorted(maps.Keys(before)) {
		if content, there := now[name]; name != pack.ManifestName && name != pack.SignatureName && name != pack.StampName && (!there || !bytes.Equal(content, before[name])) {
			say("%s is not the same.", name)
		}
	}
	return out
}

// ids are those of records, one a line.
func ids(lines []byte) map[string]bool {
	out := map[string]bool{}
	for line := range bytes.Lines(lines) {
		var r struct {
			ID string `json:"id"`
		}
		if json.Unmarshal(line, &r) == nil {
			out[r.ID] = true
		}
	}
	return out
}
