package phrase_test

import (
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"pgregory.net/rapid"

	"arcdrift/drift/phrase"
)

func TestNumbers(t *testing.T) {
	for _, c := range []struct{ got, want string }{
		{phrase.Fixed(4.06, 1), "4.1"},
		{phrase.Fixed(-0.84, 1), "−0.8"},
		{phrase.Fixed(-0.04, 1), "0.0"},
		{phrase.Fixed(1234567.5, 1), "1,234,567.5"},
		{phrase.Fixed(-1000, 0), "−1,000"},
		{phrase.Number(12), "12"},
		{phrase.Number(100), "100"},
		{phrase.Number(-0.02), "0"},
		{phrase.Number(0.55), "0.6"},
		{phrase.Signed(0.04, 1), "0.0"},
		{phrase.Signed(-1180, 0), "−1,180"},
		{phrase.Signed(3, 1), "+3.0"},
		{phrase.About(462.4), "462"},
		{phrase.About(999.6), "1,000"},
		{phrase.About(1004), "1,000"},
		{phrase.About(1005), "1,010"},
		{phrase.About(1_234_567), "1,234,570"},
		{phrase.Quantity(-8, "°C"), "−8\u00a0°C"},
		{phrase.Percent(4), "4.0\u00a0%"},
		{phrase.SignedPercent(-0.76), "−0.8\u00a0%"},
		{phrase.PlusMinus(4.1, 0.51), "+4.1\u00a0±\u00a00.5\u00a0%"},
		{phrase.Count(1, "try"), "1 try"},
		{phrase.Count(0, "try"), "0 tries"},
		{phrase.Count(1240, "day"), "1,240 days"},
		{phrase.Count(int64(2), "calibration"), "2 calibrations"},
		{phrase.Join(nil), ""},
		{phrase.Join([]string{"a"}), "a"},
		{phrase.Join([]string{"a", "b", "c"}), "a, b and c"},
		{phrase.Beside("", "type-1", "", "Orrin Quay"), "type-1 · Orrin Quay"},
		{phrase.Sentence("älv"), "Älv"},
		{phrase.Sentence(""), ""},
		{phrase.State("check-first"), "Check first"},
	} {
		assert.Equal(t, c.want, c.got)
	}
}

// What is written reads back as the number, to the decimals it shows.
func TestFixedReadsBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		x, decimals := rapid.Float64Range(-1e9, 1e9).Draw(t, "x"), rapid.IntRange(0, 3).Draw(t, "decimals")
		text := strings.NewReplacer(",", "", "−", "-").Replace(phrase.Fixed(x, decimals))
		back, err := strconv.ParseFloat(text, 64)
		assert.NoError(t, err)
		assert.InDelta(t, x, back, 0.5*math.Pow10(-decimals)*(1+1e-9)+1e-6)
	})
}

func TestChance(t *testing.T) {
	for p, want := range map[float64]string{
		0: "fewer than 1 in 100", 0.0049: "fewer than 1 in 100", 0.005: "about 1 in 100", 0.0949: "about 9 in 100",
		0.095: "about 1 in 10", 0.149: "about 1 in 10", 0.15: "about 2 in 10", 0.55: "about 6 in 10", 0.949: "about 9 in 10", 0.95: "more than 9 in 10", 1: "more than 9 in 10",
	} {
		assert.Equal(t, want, phrase.Chance(p), "%g", p)
	}
	assert.Equal(t, "an unknown share", phrase.Chance(math.NaN()))
}

func TestTimes(t *testing.T) {
	utc := time.Date(2026, 3, 5, 6, 4, 0, 0, time.UTC)
	in := func(name string) time.Time {
		zone, err := time.LoadLocation(name)
		assert.NoError(t, err)
		return utc.In(zone)
	}
	assert.Equal(t, "5 Mar 2026, 06:04 UTC", phrase.Moment(utc))
	assert.Equal(t, "Thu 5 Mar", phrase.Day(utc))
	assert.Equal(t, "5 Mar 2026, 07:04 CET", phrase.Moment(in("Europe/Oslo")))
	assert.Equal(t, "5 Mar 2026, 03:04 UTC−3", phrase.Moment(in("America/Sao_Paulo")))
	assert.Equal(t, "5 Mar 2026, 11:49 UTC+5:45", phrase.Moment(in("Asia/Kathmandu")))
	assert.Equal(t, "16:04 UTC+10", phrase.Clock(utc.In(time.FixedZone("", 10*3600))))
	assert.Equal(t, "UTC", phrase.Zone(utc.In(time.FixedZone("", 0))))
	assert.Equal(t, "UTC−2:30", phrase.Zone(utc.In(time.FixedZone("-0230", -9000))))
}

func TestAgesAndSpans(t *testing.T) {
	now := time.Date(2026, 3, 5, 6, 4, 0, 0, time.UTC)
	for d, want := range map[time.Duration]string{
		-time.Hour: "in the future", -30 * time.Second: "just now", time.Minute: "just now", 12 * time.Minute: "12 minutes ago",
		time.Hour: "1 hour ago", 30 * time.Hour: "30 hours ago", 37 * time.Hour: "2 days ago", 24 * 40 * time.Hour: "40 days ago",
	} {
		assert.Equal(t, want, phrase.Age(now.Add(-d), now), "%s", d)
	}
	for d, want := range map[time.Duration]string{
		7 * 24 * time.Hour: "7 days", 24 * time.Hour: "1 day", 90 * time.Minute: "1 hour", 10 * time.Minute: "10 minutes", 0: "0 minutes",
	} {
		assert.Equal(t, want, phrase.Span(d), "%s", d)
	}
}
