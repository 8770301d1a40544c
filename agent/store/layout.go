package store

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"fmt"
	"hash/crc32"
	"math"
	"strings"
	"time"

	"arcdrift/agent/wire"
	"arcdrift/drift"
)

// schema is the version of the file format. Older files can always be opened, newer
// ones are refused. Schema 2 added bucket thinned and the second entry format, schema
// 3 the pseudonyms. An older file is rewritten when it is first opened for writing,
// see [Store.migrate]; read only, it is read as it is.
const schema = 3

// The buckets.
var (
	metaBucket      = []byte("meta")
	entriesBucket   = []byte("entries")
	idsBucket       = []byte("ids")
	orderBucket     = []byte("order")
	headsBucket     = []byte("heads")
	conflictsBucket = []byte("conflicts")
	setupsBucket    = []byte("setups")
	compactedBucket = []byte("thinned")
	originsBucket   = []byte("origins")
	refusedBucket   = []byte("refused")
	seenBucket      = []byte("refused-seen")
	countsBucket    = []byte("refused-counts")

	schemaKey = []byte("schema")
	nameKey   = []byte("name")
	stateKey  = []byte("state")
)

const (
	formatWhole  = 1 // the chain covers the record itself
	formatSummed = 2 // the chain covers the record's sum
	blockFormat  = 1

	flagConflict = 1 << 0
	flagRepeat   = 1 << 1
	flagUsage    = 1 << 2 // the only type of record that may be compacted
	flagPerson   = 1 << 3 // there is a pseudonym in the record

	idKeyLen  = 16
	digestLen = sha256.Size
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// place is the key of an entry, in parts.
type place struct {
	machine    string
	epoch, seq uint64
}

// key is machine, 0x00, epoch, seq; no machine's name holds a 0x00.
func (p place) key() []byte {
	b := make([]byte, 0, len(p.machine)+17)
	b = append(b, p.machine...)
	b = append(b, 0)
	return p.appendOrder(b)
}

// before says whether the place was given before another.
func (p place) before(other place) bool {
	return p.epoch < other.epoch || p.epoch == other.epoch && p.seq < other.seq
}

// appendOrder appends epoch and seq.
func (p place) appendOrder(b []byte) []byte {
	b = binary.BigEndian.AppendUint64(b, p.epoch)
	return binary.BigEndian.AppendUint64(b, p.seq)
}

func placeOf(key []byte) (place, bool) {
	i := bytes.IndexByte(key, 0)
	if i < 0 || len(key) != i+17 {
		return place{}, false
	}
	return place{string(key[:i]), binary.BigEndian.Uint64(key[i+1:]), binary.BigEndian.Uint64(key[i+9:])}, true
}

// orderOf is the place whose epoch and seq are the key of the buckets order,
// conflicts and setups, and whose machine is the value.
func orderOf(key, machine []byte) (place, bool) {
	if len(key) != 16 {
		return place{}, false
	}
	return place{string(machine), binary.BigEndian.Uint64(key), binary.BigEndian.Uint64(key[8:])}, true
}

func idKey(id string) []byte {
	sum := sha256.Sum256([]byte(id))
	return sum[:idKeyLen]
}

// stored is the value of an entry in parts.
type stored struct {
	format    byte
	flags     byte
	received  time.Time
	via       string
	idKey     []byte
	body      []byte
	reduced   []byte // of an arc count: what compaction would keep, see compactedEntry
	canonical []byte
	chain     []byte
	chained   []byte // what the chain covers of the value, in formatWhole
}

// identity is a record's identity in 32 bytes.
func identity(hexed string) []byte {
	sum, err := hex.DecodeString(hexed)
	if err != nil || len(sum) != digestLen {
		panic("store: an identity that is no SHA-256")
	}
	return sum
}

// value builds the value of the entry under key, chained to prev, in formatSummed. It
// returns the value and the new chain.
func (s *stored) value(key, prev []byte) (value, chain []byte) {
	b := make([]byte, 0, 128+len(s.via)+len(s.reduced)+len(s.canonical))
	b = append(b, formatSummed, s.flags)
	b = binary.BigEndian.AppendUint64(b, uint64(s.received.UnixNano()))
	b = append(append(b, byte(len(s.via))), s.via...)
	b = append(append(b, s.idKey...), s.body...)
	b = append(binary.BigEndian.AppendUint16(b, uint16(len(s.reduced))), s.reduced...)
	b = append(binary.BigEndian.AppendUint32(b, uint32(len(s.canonical))), s.canonical...)
	chain = s.chainAfter(prev, key)
	return seal(key, append(b, chain...)), chain
}

// chainAfter is the chain value of the entry, given that of the one before it, in
// formatSummed.
func (s *stored) chainAfter(prev, key []byte) []byte {
	return chainOf(prev, key, s.flags, s.via, marksOf(s.idKey, s.body), s.sum(), s.reduced)
}

// shortVia is the source and, after a space, the account, cut to the 255 bytes that
// are kept.
func shortVia(e *drift.Entry) string {
	via := e.Via
	if e.Account != "" {
		via += " " + e.Account
	}
	return via[:min(len(via), math.MaxUint8)]
}

// sum stands for the record with its arrival.
func (s *stored) sum() []byte { return sumOf(s.received, s.flags, s.canonical) }

// shared is the sum without people: the same in every store, whatever pseudonyms it
// has given.
func (s *stored) shared() ([]byte, error) {
	if s.flags&flagPerson == 0 {
		return s.sum(), nil
	}
	r, err := wire.Record(s.canonical)
	return sharedOf(&r, s.received, s.flags), err
}

func sharedOf(r *drift.Record, received time.Time, flags byte) []byte {
	bare := r.Impersonal()
	return sumOf(received, flags, bare.AppendCanonical(nil))
}

func sumOf(received time.Time, flags byte, canonical []byte) []byte {
	h := sha256.New()
	h.Write(binary.BigEndian.AppendUint64(nil, uint64(received.UnixNano())))
	h.Write([]byte{flags &^ (flagUsage | flagPerson)})
	h.Write(canonical)
	return h.Sum(nil)
}

// chainOf is the chain value of an entry, given that of the one before it.
func chainOf(prev, key []byte, flags byte, via string, marks, sum, reduced []byte) []byte {
	h := sha256.New()
	for _, part := range [][]byte{prev, key, {flags, byte(len(via))}, []byte(via), marks, sum, reduced} {
		h.Write(part)
	}
	return h.Sum(nil)
}

// follows says whether the entry's chain value follows from the one before it.
func (s *stored) follows(prev, key []byte) bool {
	if s.format == formatSummed {
		return bytes.Equal(s.chainAfter(prev, key), s.chain)
	}
	h := sha256.New()
	for _, part := range [][]byte{prev, key, s.chained} {
		h.Write(part)
	}
	return bytes.Equal(h.Sum(nil), s.chain)
}

func checksum(key, value []byte) uint32 {
	return crc32.Update(crc32.Checksum(key, castagnoli), castagnoli, value)
}

// seal appends the checksum that unseal checks and takes off.
func seal(key, value []byte) []byte {
	return binary.BigEndian.AppendUint32(value, checksum(key, value))
}

func unseal(key, sealed []byte) ([]byte, bool) {
	end := len(sealed) - 4
	if end < 0 || checksum(key, sealed[:end]) != binary.BigEndian.Uint32(sealed[end:]) {
		return nil, false
	}
	return sealed[:end], true
}

// parse checks the CRC of a value and takes it apart; the parts point into value. The
// error is a [*Damage], or ErrNewer for a format that this version does not know.
func parse(key, value []byte) (stored, error) {
	corrupt := func() (stored, error) {
		d := &Damage{Meaning: "the bytes on disk are not those that were written: the disk, or an interrupted write, has corrupted this record"}
		if p, ok := placeOf(key); ok {
			d.Machine, d.Epoch, d.Seq = p.machine, p.epoch, p.seq
		}
		return stored{}, d
	}
	value, ok := unseal(key, value)
	switch {
	case !ok || len(value) < 11:
		return corrupt()
	case value[0] != formatWhole && value[0] != formatSummed:
		return stored{}, fmt.Errorf("%w: entry format %d", ErrNewer, value[0])
	}
	s := stored{format: value[0], flags: value[1], received: time.Unix(0, int64(binary.BigEndian.Uint64(value[2:]))).UTC()}
	rest := value[10:]
	take := func(n int) []byte {
		if ok = ok && n >= 0 && n <= len(rest); !ok {
			return make([]byte, 4)
		}
		out := rest[:n]
		rest = rest[n:]
		return out
	}
	s.via = string(take(int(take(1)[0])))
	s.idKey, s.body = take(idKeyLen), take(digestLen)
	if s.format == formatSummed {
		s.reduced = take(int(binary.BigEndian.Uint16(take(2))))
	}
	s.canonical = take(int(binary.BigEndian.Uint32(take(4))))
	s.chain, s.chained = take(digestLen), value[:max(len(value)-digestLen, 0)]
	if !ok || len(rest) > 0 {
		return corrupt()
	}
	return s, nil
}

// entry decodes what was parsed.
func (s *stored) entry(p place) (drift.Entry, error) {
	r, err := wire.Record(s.canonical)
	if err != nil {
		return drift.Entry{}, &Damage{Machine: p.machine, Epoch: p.epoch, Seq: p.seq,
			Meaning: "the record cannot be read by this version: " + err.Error()}
	}
	via, account, _ := strings.Cut(s.via, " ")
	return drift.Entry{
		Record: r, Received: s.received, Via: via, Account: account,
		StoreEpoch: p.epoch, StoreSeq: p.seq,
		PossibleRepeat: s.flags&flagRepeat != 0,
	}, nil
}

// state is the last numbers given.
type state struct {
	epoch, seq uint64
	conflicts  uint64
	refused    uint64 // distinct refusals so far; also the key of the last
}

func (s state) bytes() []byte {
	var b []byte
	for _, v := range []uint64{s.epoch, s.seq, s.conflicts, s.refused} {
		b = binary.BigEndian.AppendUint64(b, v)
	}
	return seal(stateKey, b)
}

func stateOf(sealed []byte) (state, error) {
	b, ok := unseal(stateKey, sealed)
	if !ok || len(b) != 32 {
		return state{}, &Damage{Meaning: "the store's own counters are corrupt"}
	}
	at := func(i int) uint64 { return binary.BigEndian.Uint64(b[8*i:]) }
	return state{at(0), at(1), at(2), at(3)}, nil
}

// head is where a machine's chain ends.
type head struct {
	epoch, seq       uint64
	count, conflicts uint64
	counter          drift.Counter
	chain            []byte
}

// headKey is the machine's name and 0x00: a setup of another scope has no machine,
// and a key cannot be empty.
func headKey(machine string) []byte { return append([]byte(machine), 0) }

func (h *head) bytes(machine string) []byte {
	var b []byte
	for _, v := range []uint64{h.epoch, h.seq, h.count, h.conflicts} {
		b = binary.BigEndian.AppendUint64(b, v)
	}
	at := int64(0)
	if !h.counter.At.IsZero() {
		at = h.counter.At.UnixNano()
	}
	b = binary.BigEndian.AppendUint64(b, uint64(h.counter.Arcs.Or(-1)))
	b = binary.BigEndian.AppendUint64(b, uint64(at))
	return seal(headKey(machine), append(b, h.chain...))
}

func headOf(machine string, sealed []byte) (head, error) {
	if sealed == nil {
		return head{chain: make([]byte, digestLen)}, nil
	}
	b, ok := unseal(headKey(machine), sealed)
	if !ok || len(b) != 48+digestLen {
		return head{}, &Damage{Machine: machine, Meaning: "the stored end of its chain is corrupt"}
	}
	at := func(i int) uint64 { return binary.BigEndian.Uint64(b[8*i:]) }
	h := head{epoch: at(0), seq: at(1), count: at(2), conflicts: at(3), chain: bytes.Clone(b[48:])}
	if arcs := int64(at(4)); arcs >= 0 {
		h.counter.Arcs = drift.Some(arcs)
	}
	if nanos := int64(at(5)); nanos != 0 {
		h.counter.At = time.Unix(0, nanos).UTC()
	}
	return h, nil
}

// advance moves the head over the next entry of its machine and says whether that
// follows from the one before. Of a corrupt entry it takes the chain value as it
// stands, so that the next entry can be judged.
func (h *head) advance(key, value []byte) (e stored, follows bool, err error) {
	h.count++
	if p, ok := placeOf(key); ok {
		h.epoch, h.seq = p.epoch, p.seq
	}
	if e, err = parse(key, value); err != nil {
		if end := len(value) - 4; end >= digestLen {
			h.chain = bytes.Clone(value[end-digestLen : end])
		}
		return e, false, err
	}
	follows = e.follows(h.chain, key)
	h.chain = bytes.Clone(e.chain)
	if e.flags&flagConflict != 0 {
		h.conflicts++
	}
	return e, follows, nil
}
