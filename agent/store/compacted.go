package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"strings"
	"time"

	"go.etcd.io/bbolt"

	"arcdrift/drift"
)

// compactedEntry is what is kept of a compacted arc count: what the model reads, what
// decides its order and corrections, and what proves it by the chain. Its operator and
// its extra are no longer there, and neither are its bytes.
type compactedEntry struct {
	place
	flags          byte
	id             string
	body, sum      []byte
	shared         []byte    // of a record that names a person, see [stored.shared]
	received, time time.Time // time is zero when the sender gave none
	count          int64
	epochOf, seqOf drift.Opt[int64]
	labels         [5]string // via, model, program, site, source
}

// compactedOf is the compacted form of an arc count, without what proves it.
func compactedOf(e *drift.Entry, via string) compactedEntry {
	return compactedEntry{
		id: e.ID, received: e.Received, time: e.Time, count: e.ArcCount.Or(0), epochOf: e.Epoch, seqOf: e.Seq,
		labels: [5]string{via, e.Model, e.Program, e.Site, e.Source},
	}
}

// entry is the arc count as the model reads it.
func (l *compactedEntry) entry() drift.Entry {
	via, account, _ := strings.Cut(l.labels[0], " ")
	return drift.Entry{
		Record: drift.Record{
			Type: drift.TypeUsage, ID: l.id, Machine: l.machine,
			Model: l.labels[1], Program: l.labels[2], Site: l.labels[3], Source: l.labels[4],
			Epoch: l.epochOf, Seq: l.seqOf, Time: l.time, ArcCount: drift.Some(l.count),
		},
		Received: l.received, Via: via, Account: account, StoreEpoch: l.epoch, StoreSeq: l.seq,
		PossibleRepeat: l.flags&flagRepeat != 0,
	}
}

// whole says whether the compacted form is the whole record: it had nothing that
// compaction removes.
func (l *compactedEntry) whole() bool {
	e := l.entry()
	return bytes.Equal(sumOf(l.received, l.flags, e.AppendCanonical(nil)), l.sum)
}

// sameBody says whether a record that came is the one that was compacted.
func (l *compactedEntry) sameBody(e *prepared) bool {
	return bytes.Equal(l.body, e.body) || e.named != nil && bytes.Equal(l.body, e.named)
}

// marksOf stands for an id and a body.
func marksOf(idKey, body []byte) []byte {
	h := sha256.New()
	h.Write(idKey)
	h.Write(body)
	return h.Sum(nil)
}

// block is a run of compacted arc counts of one machine and epoch, with no whole entry
// between them. Its key is that of the first.
type block struct {
	all   []compactedEntry
	chain []byte // of the last
}

// Which parts an entry has; see appendReduced.
const (
	hasTime = 1 << iota
	hasEpoch
	hasSeq
	sameLabels
)

// value is the stored block: format 1 | entries | chain 32 | CRC-32C 4.
func (b *block) value(key []byte) []byte {
	out := []byte{blockFormat}
	before := &compactedEntry{place: b.all[0].place}
	for i := range b.all {
		out = b.all[i].append(out, before)
		before = &b.all[i]
	}
	return seal(key, append(out, b.chain...))
}

// append appends seq | flags 1 | body 32 | sum 32 | shared sum 32, only if the record
// names a person | length | id | reduced form. Seq, like other numbers, is a varint of
// the difference to the entry before; an id that is derived from the body is left out.
func (l *compactedEntry) append(b []byte, before *compactedEntry) []byte {
	b = binary.AppendUvarint(b, l.seq-before.seq)
	b = append(append(append(append(b, l.flags), l.body...), l.sum...), l.shared...)
	id := l.id
	if id == hex.EncodeToString(l.body) {
		id = ""
	}
	b = append(binary.AppendUvarint(b, uint64(len(id))), id...)
	return l.appendReduced(b, before)
}

func (l *compactedEntry) marks() []byte { return marksOf(idKey(l.id), l.body) }

// reduced is the reduced form as the chain covers it.
func (l *compactedEntry) reduced() []byte { return l.appendReduced(nil, &compactedEntry{}) }

// appendReduced appends, numbers as varints, and times and labels relative to the
// entry before:
//
//	parts 1 | received | time, offset | count | epoch | seq | five labels with lengths
func (l *compactedEntry) appendReduced(b []byte, before *compactedEntry) []byte {
	at := len(b)
	b = append(b, 0)
	b = binary.AppendVarint(b, l.received.UnixNano()-nanos(before.received))
	if !l.time.IsZero() {
		b[at] |= hasTime
		b = binary.AppendVarint(b, l.time.UnixNano()-l.received.UnixNano())
		_, offset := l.time.Zone()
		b = binary.AppendVarint(b, int64(offset))
	}
	b = binary.AppendVarint(b, l.count-before.count)
	for i, n := range []drift.Opt[int64]{l.epochOf, l.seqOf} {
		if v, known := n.Get(); known {
			b[at] |= hasEpoch << i
			b = binary.AppendVarint(b, v)
		}
	}
	if l.labels == before.labels {
		b[at] |= sameLabels
		return b
	}
	for _, label := range l.labels {
		b = append(binary.AppendUvarint(b, uint64(len(label))), label...)
	}
	return b
}

func nanos(t time.Time) int64 {
	if t.IsZero() {
		return 0
	}
	return t.UnixNano()
}

// blockOf decodes a block. The error is a [*Damage].
func blockOf(key, sealed []byte) (block, error) {
	p, ok := placeOf(key)
	corrupt := &Damage{Machine: p.machine, Epoch: p.epoch, Seq: p.seq, Meaning: "the compacted arc counts from this one on are corrupt"}
	b, sound := unseal(key, sealed)
	if !ok || !sound || len(b) < 1+digestLen || b[0] != blockFormat {
		return block{}, corrupt
	}
	end := len(b) - digestLen
	out := block{chain: b[end:]}
	r := compactedReader{b: b[1:end]}
	before := compactedEntry{place: p}
	for len(r.b) > 0 && !r.short {
		before = r.next(&before)
		out.all = append(out.all, before)
	}
	if r.short || len(out.all) == 0 {
		return block{}, corrupt
	}
	return out, nil
}

// compactedReader reads the entries of a block.
type compactedReader struct {
	b     []byte
	short bool
}

func (r *compactedReader) next(before *compactedEntry) compactedEntry {
	l := compactedEntry{place: before.place, labels: before.labels}
	l.seq += r.uvarint()
	l.flags = r.bytes(1)[0]
	l.body, l.sum = r.bytes(digestLen), r.bytes(digestLen)
	if l.flags&flagPerson != 0 {
		l.shared = r.bytes(digestLen)
	}
	if l.id = r.text(); l.id == "" {
		l.id = hex.EncodeToString(l.body)
	}
	there := r.bytes(1)[0]
	l.received = time.Unix(0, nanos(before.received)+r.varint()).UTC()
	if there&hasTime != 0 {
		at, offset := l.received.Add(time.Duration(r.varint())), int(r.varint())
		if l.time = at; offset != 0 {
			l.time = at.In(time.FixedZone("", offset))
		}
	}
	l.count = before.count + r.varint()
	if there&hasEpoch != 0 {
		l.epochOf = drift.Some(r.varint())
	}
	if there&hasSeq != 0 {
		l.seqOf = drift.Some(r.varint())
	}
	if there&sameLabels == 0 {
		for i := range l.labels {
			l.labels[i] = r.text()
		}
	}
	return l
}

func (r *compactedReader) text() string {
	n := r.uvarint()
	if n > uint64(len(r.b)) {
		r.short = true
		return ""
	}
	return string(r.bytes(int(n)))
}

func (r *compactedReader) bytes(n int) []byte {
	if n > len(r.b) {
		r.short = true
		return make([]byte, n)
	}
	out := r.b[:n]
	r.b = r.b[n:]
	return out
}

func (r *compactedReader) uvarint() uint64 {
	v, n := binary.Uvarint(r.b)
	r.short = r.short || n <= 0
	r.b = r.b[max(n, 0):]
	return v
}

func (r *compactedReader) varint() int64 {
	v, n := binary.Varint(r.b)
	r.short = r.short || n <= 0
	r.b = r.b[max(n, 0):]
	return v
}

// advance moves the head over the whole block and says whether that follows from the
// entry before it.
func (b *block) advance(h *head) (follows bool) {
	last := &b.all[len(b.all)-1]
	h.epoch, h.seq = last.epoch, last.seq
	h.count += uint64(len(b.all))
	follows = bytes.Equal(b.chainAfter(h.chain), b.chain)
	h.chain = bytes.Clone(b.chain)
	return follows
}

// chainAfter is the chain value at the block's end, given that of the entry before it.
func (b *block) chainAfter(prev []byte) []byte {
	for i := range b.all {
		l := &b.all[i]
		prev = chainOf(prev, l.key(), l.flags, l.labels[0], l.marks(), l.sum, l.reduced())
	}
	return prev
}

// compactedAt finds the compacted entry at a place.
func compactedAt(compacted *bbolt.Bucket, p place) (compactedEntry, bool) {
	if compacted == nil {
		return compactedEntry{}, false
	}
	key := p.key()
	c := compacted.Cursor()
	k, v := c.Seek(key)
	if !bytes.Equal(k, key) {
		if k, v = c.Prev(); k == nil {
			k, v = c.Last()
		}
	}
	b, err := blockOf(k, v)
	if err != nil {
		return compactedEntry{}, false
	}
	for _, l := range b.all {
		if l.place == p {
			return l, true
		}
	}
	return compactedEntry{}, false
}

// wholeCompacted returns those compacted arc counts that are the whole record, of the
// ones taken after one place and not after another, the first of each machine up to
// limit (0: all). It leaves out what is corrupt; Verify reports it.
func wholeCompacted(tx *bbolt.Tx, after, until place, limit int) []drift.Entry {
	var out []drift.Entry
	if compactedCount(tx) == 0 {
		return nil
	}
	c := tx.Bucket(compactedBucket).Cursor()
	for _, machine := range machines(tx) {
		found := len(out)
		for k, v := reach(c, place{machine, after.epoch, after.seq}); bytes.HasPrefix(k, headKey(machine)); k, v = c.Next() {
			b, _ := blockOf(k, v)
			for i := range b.all {
				if l := &b.all[i]; after.before(l.place) && !until.before(l.place) && l.whole() {
					out = append(out, l.entry())
				}
			}
			if p, _ := placeOf(k); until.before(p) || limit > 0 && len(out)-found >= limit {
				break
			}
		}
	}
	return out
}

// reach moves a cursor to the first block of a machine that may hold entries after a
// place: the block that begins before the place.
func reach(c *bbolt.Cursor, p place) (k, v []byte) {
	key, before := p.key(), c.Prev
	if k, _ = c.Seek(key); k == nil {
		before = c.Last
	}
	if k, v = before(); bytes.HasPrefix(k, headKey(p.machine)) {
		return k, v
	}
	return c.Seek(key)
}
