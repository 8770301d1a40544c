package wire

import (
	"bytes"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/go-json-experiment/json/jsontext"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"arcdrift/drift"
	"arcdrift/drift/drifttest"
)

// entries draws records as a store would hold them.
func entries() *rapid.Generator[drift.Entry] {
	received, _ := drift.FieldNamed("time")
	return rapid.Custom(func(t *rapid.T) drift.Entry {
		return drift.Entry{
			Record:         drifttest.Records().Draw(t, "record"),
			Received:       drifttest.Values(received).Draw(t, "received").(time.Time),
			Via:            rapid.SampledFrom([]string{"http", "mqtt", "import", "form", "log", "forward"}).Draw(t, "via"),
			StoreEpoch:     rapid.Uint64Range(0, 1<<53-1).Draw(t, "epoch"),
			StoreSeq:       rapid.Uint64Range(0, 1<<53-1).Draw(t, "seq"),
			PossibleRepeat: rapid.Bool().Draw(t, "possible repeat"),
		}
	})
}

// requireSame compares records to the last bit; of extra, white space and the
// order of members may differ.
func requireSame(t *rapid.T, want, got drift.Record) {
	require.Equal(t, string(want.AppendCanonical(nil)), string(got.AppendCanonical(nil)))
	require.Equal(t, want.Identity(), got.Identity())
	want.Extra, got.Extra = nil, nil
	require.Equal(t, want, got)
}

func TestJSONRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drifttest.Records().Draw(t, "record")
		got, err := Record(r.AppendCanonical(nil))
		require.NoError(t, err)
		requireSame(t, r, got)
	})
}

func TestExportRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := rapid.SliceOfN(entries(), 0, 5).Draw(t, "entries")
		var jsonl, rows bytes.Buffer
		w, err := NewCSVWriter(&rows)
		require.NoError(t, err)
		for i := range all {
			jsonl.Write(append(AppendEntry(nil, &all[i]), '\n'))
			require.NoError(t, w.Write(&all[i]))
		}
		require.NoError(t, w.Flush())
		for _, export := range []*bytes.Buffer{&jsonl, &rows} {
			i := 0
			for l := range Records(export) {
				require.Nil(t, l.Problem, "%s", l.Raw)
				requireSame(t, all[i].Record, l.Record)
				require.Equal(t, all[i].Received, l.Received)
				i++
			}
			require.Equal(t, len(all), i)
		}
	})
}

// import → export → import: the second store exports the same bytes, but for
// its own numbers.
func TestExportOfAnImportIsTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		e := entries().Draw(t, "entry")
		first := AppendEntry(nil, &e)
		line := new(reader).line(1, first, false)
		require.Nil(t, line.Problem)
		again := drift.Entry{
			Record: line.Record, Received: line.Received,
			Via: e.Via, StoreEpoch: e.StoreEpoch, StoreSeq: e.StoreSeq, PossibleRepeat: e.PossibleRepeat,
		}
		require.Equal(t, string(first), string(AppendEntry(nil, &again)))
	})
}

var mayGroup = regexp.MustCompile(`^[-+]?[1-9][0-9]{0,2}\.[0-9]{3}$`)

func TestFormRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drifttest.Records().Draw(t, "record")
		v := url.Values{}
		for _, f := range drift.FieldsOf(r.Type) {
			if value, known := f.Value(&r); known {
				text := strings.TrimPrefix(cellText(value), "'")
				if s, is := value.(string); is {
					text = s
				}
				// 1.240 may be 1240 in a form, and is refused; 1,240 is 1.24.
				if f.Kind == drift.Number && (mayGroup.MatchString(text) || rapid.Bool().Draw(t, "comma in "+f.Name)) {
					text = strings.Replace(text, ".", ",", 1)
				}
				v.Set(f.Name, text)
			}
		}
		if r.Extra != nil {
			v.Set("extra", string(r.Extra))
		}
		if r.Correction != nil {
			v.Set("fields", string(r.Correction.AppendFields(nil)))
		}
		got, err := Form(v)
		require.NoError(t, err)
		requireSame(t, r, got)
	})
}

// The order of members, and of those of extra and fields, says nothing.
func TestOrderOfMembersDoesNotMatter(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drifttest.Records().Draw(t, "record")
		raw := r.AppendCanonical(nil)
		shuffled := shuffle(t, raw)
		got, err := Record(shuffled)
		require.NoError(t, err)
		require.Equal(t, r.Identity(), got.Identity())
		require.Equal(t, string(raw), string(got.AppendCanonical(nil)))
	})
}

// shuffle puts the members of every object in another order.
func shuffle(t *rapid.T, raw []byte) []byte {
	if len(raw) == 0 || raw[0] != '{' {
		return raw
	}
	var out []string
	require.NoError(t, members(new(jsontext.Decoder), raw, func(name []byte, v jsontext.Value) error {
		quoted, err := jsontext.AppendQuote(nil, name)
		out = append(out, fmt.Sprintf("%s : %s", quoted, shuffle(t, slices.Clone(v))))
		return err
	}))
	return []byte("{" + strings.Join(rapid.Permutation(out).Draw(t, "members"), " ,\n") + "}")
}
