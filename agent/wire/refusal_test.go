package wire

import (
	"bytes"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
)

func TestRefusalRoundTrip(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 5, time.UTC)
	for what, holds := range map[string]string{
		"{\x00\xff\n":                       `"raw_base64":"ewD/Cg=="`,
		`{"type":"usage","note":"<a & b>"}`: `"raw":"{\"type\":\"usage\",\"note\":\"<a & b>\"}"`,
		"":                                  `"raw":""`,
	} {
		want := Refusal{Machine: "K-07", Via: "mqtt", Line: 3, Raw: []byte(what), Size: 99, Time: at, Last: at.Add(time.Hour), Times: 2,
			Problem: drift.Problem{Field: "humidity_pct", Value: "140", Reason: "must be from 0 to 100 percent"}}
		raw := AppendRefusal(nil, &want)
		assert.Contains(t, string(raw), holds)
		got, err := ReadRefusal(raw)
		require.NoError(t, err)
		assert.Equal(t, want, got)
	}
}

// An export's refused record is no record, at any door; an import sees what it
// is. The longest is short enough for a line.
func TestARefusalInAnExportIsNotARecord(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	want := Refusal{Via: "http", Raw: []byte(strings.Repeat("\"\n", 8<<10)), Size: 1 << 20, Time: at, Last: at, Times: 1,
		Problem: drift.Problem{Field: strings.Repeat("f", maxReason), Value: strings.Repeat("v", maxReason), Reason: strings.Repeat("r", maxReason)}}
	raw := append(AppendRefusal(nil, &want), '\n')
	lines := slices.Collect(Records(bytes.NewReader(append(raw, `{"type":"refused"}`...))))
	require.Len(t, lines, 2)
	require.Equal(t, &want, lines[0].Refusal)
	require.NotNil(t, lines[0].Problem)
	require.Nil(t, lines[1].Refusal)
	require.NotNil(t, lines[1].Problem)
}

func TestNotARefusal(t *testing.T) {
	const times = `"times":1,"time":"2026-03-02T08:00:00Z","last":"2026-03-02T08:00:00Z"`
	for _, raw := range []string{``, `[]`, `{`, `{}`, `{"type":"refused",` + times + `}`,
		`{"reason":"x",` + times + `}`, `{"type":"usage","reason":"x",` + times + `}`,
		`{"type":"refused","machine":"../etc","reason":"x",` + times + `}`,
		`{"type":"refused","reason":"` + strings.Repeat("x", maxReason+1) + `",` + times + `}`,
		`{"type":"refused","reason":"x","raw":"AAAA","size":1,` + times + `}`,
	} {
		_, err := ReadRefusal([]byte(raw))
		require.ErrorAs(t, err, new(*drift.Problem), raw)
	}
}

// Whatever an agent says that another refused: it is read or it is a problem,
// and what is read is written the same.
func FuzzRefusal(f *testing.F) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for _, raw := range []string{"{", "\x00"} {
		r := Refusal{Machine: "K-07", Via: "mqtt", Raw: []byte(raw), Size: 1, Time: at, Last: at, Times: 1, Problem: drift.Problem{Reason: "is cut short"}}
		f.Add(AppendRefusal(nil, &r))
	}
	f.Fuzz(func(t *testing.T, raw []byte) {
		r, err := ReadRefusal(raw)
		if err != nil {
			require.NoError(t, refused(err))
			return
		}
		again, err := ReadRefusal(AppendRefusal(nil, &r))
		require.NoError(t, err)
		require.Equal(t, AppendRefusal(nil, &r), AppendRefusal(nil, &again))
	})
}
