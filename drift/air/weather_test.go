package air_test

import (
	"encoding/csv"
	"math"
	"os"
	"slices"
	"strconv"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift/air"
)

// day is one day of weather; pressureHPa is reduced to sea level.
type day struct{ temperatureC, dewPointC, humidityPct, pressureHPa float64 }

// weather reads 5698 days of Chicago, 2001-01-22 to 2016-08-28, without a gap.
func weather(t *testing.T) []day {
	t.Helper()
	f, err := os.Open("../../testdata/reference/chicago_weather_daily.csv")
	require.NoError(t, err)
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	require.NoError(t, err)
	header, rows := rows[0], rows[1:]

	number := func(row []string, name string) float64 {
		x, err := strconv.ParseFloat(row[slices.Index(header, name)], 64)
		require.NoError(t, err)
		return x
	}
	celsius := func(fahrenheit float64) float64 { return (fahrenheit - 32) / 1.8 }
	const inHg = 33.8638866 // hPa, at 0 °C
	days := make([]day, len(rows))
	for i, row := range rows {
		days[i] = day{
			temperatureC: celsius(number(row, "temp")),
			dewPointC:    celsius(number(row, "dew")),
			humidityPct:  number(row, "humidity"),
			pressureHPa:  inHg * number(row, "pressure"),
		}
	}
	return days
}

func column(days []day, of func(day) float64) []float64 {
	out := make([]float64, len(days))
	for i, d := range days {
		out[i] = of(d)
	}
	return out
}

func meanAndSD(x []float64) (mean, sd float64) {
	for _, v := range x {
		mean += v / float64(len(x))
	}
	for _, v := range x {
		sd += (v - mean) * (v - mean) / float64(len(x)-1)
	}
	return mean, math.Sqrt(sd)
}

// quantile is the order statistic nearest to q, good enough for 5698 days.
func quantile(x []float64, q float64) float64 {
	return slices.Sorted(slices.Values(x))[int(math.Round(q*float64(len(x)-1)))]
}

// The set is read as it was described: computed independently of this code.
func TestWeatherIsReadAsDescribed(t *testing.T) {
	days := weather(t)
	require.Len(t, days, 5698)
	for name, c := range map[string]struct {
		of       func(day) float64
		mean, sd float64
		within   float64 // half of the last place given
	}{
		"temperature": {func(d day) float64 { return d.temperatureC }, 10.7255, 10.9352, 5e-5},
		"humidity":    {func(d day) float64 { return d.humidityPct }, 67.4902, 13.8379, 5e-5},
		"pressure":    {func(d day) float64 { return d.pressureHPa }, 1016.711, 7.331, 5e-4},
	} {
		mean, sd := meanAndSD(column(days, c.of))
		assert.InDelta(t, c.mean, mean, c.within, name)
		assert.InDelta(t, c.sd, sd, c.within, name)
	}

	step := make([]float64, len(days)-1)
	for i := range step {
		step[i] = math.Abs(days[i+1].temperatureC - days[i].temperatureC)
	}
	// The data have a resolution of 0.01 °F.
	assert.InDelta(t, 2.139, quantile(step, 0.5), 0.01)
	assert.InDelta(t, 7.778, quantile(step, 0.95), 0.01)
}

// The set carries dew points of its own, so the vapour formulas can be held
// against an instrument's. Both are means of a day, and a mean of dew points is
// not the dew point of means: half a degree on the middle day is what this
// costs, about two on a day when a front passes.
func TestVapourAgainstWeather(t *testing.T) {
	days := weather(t)
	off := column(days, func(d day) float64 {
		return math.Abs(air.DewPoint(d.temperatureC, d.humidityPct) - d.dewPointC)
	})
	assert.Less(t, quantile(off, 0.5), 0.6)
	assert.Less(t, quantile(off, 0.95), 2.5)

	// By the law of gases from the measured dew point.
	measured, _ := meanAndSD(column(days, func(d day) float64 {
		return 100 * air.SaturationOverWater(d.dewPointC) / (0.4615 * (273.15 + d.temperatureC))
	}))
	computed, _ := meanAndSD(column(days, func(d day) float64 {
		return air.AbsoluteHumidity(d.temperatureC, d.humidityPct)
	}))
	assert.InEpsilon(t, measured, computed, 0.03)
}

// Fifteen years of real air through the model's terms. The pressures are
// reduced to sea level; the site is taken at 180 m, the altitude of the city,
// and the reduction undone by the standard atmosphere's ratio.
func TestTermsOverYearsOfWeather(t *testing.T) {
	days := weather(t)
	const siteM = 180
	toStation := air.PressureAt(siteM) / air.PressureAt(0)

	var lnDensity, excess []float64
	for _, d := range days {
		terms := air.TermsOf(d.temperatureC, d.humidityPct, toStation*d.pressureHPa)
		lnDensity = append(lnDensity, terms.LnDensity)
		excess = append(excess, terms.HumidityExcess)
	}

	// From the means and spreads above to second order: ln of the ratio of mean
	// pressures, ln of that of temperatures, and half the temperature's squared
	// relative spread (the pressure's adds 3e-5).
	mean, _ := meanAndSD(lnDensity)
	expected := math.Log(toStation*1016.711/1013) + math.Log(293/283.7255) + math.Pow(10.9352/283.7255, 2)/2
	assert.InDelta(t, expected, mean, 1e-4)

	// The set runs from -24.4 to 33.3 °C and from 967 to 1022 hPa at the site,
	// with dew points up to 23.9 °C as a mean of the day.
	assert.Greater(t, slices.Min(lnDensity), math.Log(air.RelativeDensity(33.4, 966)))
	assert.Less(t, slices.Max(lnDensity), math.Log(air.RelativeDensity(-24.5, 1023)))
	assert.Greater(t, slices.Min(excess), -air.ReferenceAbsoluteHumidity)
	assert.Less(t, slices.Max(excess), air.HumidityExcess(24.5, 100, 966))
	assert.False(t, slices.ContainsFunc(append(lnDensity, excess...), math.IsNaN))
}
