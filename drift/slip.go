package drift

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"arcdrift/drift/phrase"
)

// Slips looks at one machine's entries, in order, for values that are within the
// bounds of their fields and yet unlike what a person would write there. It asks,
// and until a person confirms such a value it is left out. The zero value
// is ready; its fields are its memory, so that it can be kept.
type Slips struct {
	// Temperature, Altitude are the last reported, Reported when.
	Temperature, Altitude Opt[float64]
	Reported              time.Time `json:"Told"`
	// Arcs is the counter as last shown, Shown when.
	Arcs  Opt[int64]
	Shown time.Time
	// Marks are the last moments at which the pair may have become another.
	Marks []Mark
}

// The bounds of what is asked about. All are guesses of the right order.
const (
	feet = 0.3048 // metres, exactly

	hot        = 45.0 // °C in the shade: asked about wherever it is
	jumped     = 22.0 // °C within a day
	likelyHigh = 4500.0
	slipWithin = 24 * time.Hour
)

// MostArcsPerDay is ten times the arcs of a busy machine in a day; a guess.
const MostArcsPerDay = 3000.0

// MostArcs is a number of arcs that no machine makes between two readings of its
// counter so far apart.
func MostArcs(between time.Duration) float64 {
	const atOnce = 1000
	return atOnce + MostArcsPerDay*max(between.Hours()/24, 0)
}

// Take looks at the next entry and adds what it has to ask. What is left out it
// takes from a copy of the calibration.
func (s *Slips) Take(e *Entry, to *Questions) {
	clocks(e, to)
	sure := e.Counts.Or(false)
	if e.ArcCount.Known() || e.Service != nil {
		s.mark(e)
	}
	if e.ArcCount.Known() || e.Service != nil && e.Service.Action == Replaced {
		if !sure {
			s.counter(e, to)
		}
		s.Arcs, s.Shown = e.ArcCount, e.When()
	}
	c := e.Calibration
	if c == nil {
		return
	}
	if !sure {
		s.humidity(e, to)
		s.temperature(e, to)
		s.altitude(e, to)
	}
	c = e.Calibration
	s.Temperature, s.Altitude = c.Temperature.OrElse(s.Temperature), c.Altitude.OrElse(s.Altitude)
	s.Reported = e.When()
}

// leaveOut takes a value from a copy of the entry's calibration.
func leaveOut(e *Entry, of func(*Calibration) *Opt[float64]) {
	e.Calibration = copyOf(e.Calibration)
	*of(e.Calibration) = Opt[float64]{}
}

// ask adds a question about a value, with what it may have been meant for.
func (s *Slips) ask(to *Questions, kind QuestionKind, e *Entry, field, text, stand string, meant ...Reply) {
	for i := range meant {
		meant[i].Records, meant[i].Field = []string{e.ID}, field
	}
	to.Ask(Question{Kind: kind, Machine: e.Machine, Records: []string{e.ID}, At: e.When(), Text: text, Replies: append(meant, confirm(stand, e.ID))})
}

func (s *Slips) counter(e *Entry, to *Questions) {
	before, known := s.Arcs.Get()
	now, stated := e.ArcCount.Get()
	if !known || !stated || float64(now-before) <= MostArcs(e.When().Sub(s.Shown)) {
		return
	}
	s.ask(to, AskCounter, e, "arc_count",
		fmt.Sprintf("The arc count of %s is %s, after %s on %s. Was it misread? It is left out until the next count confirms it.", phrase.Moment(e.When()), phrase.Integer(now), phrase.Integer(before), phrase.Moment(s.Shown)),
		"The count is right", Reply{Say: "It was misread"})
}

func (s *Slips) humidity(e *Entry, to *Questions) {
	h, known := e.Calibration.Humidity.Get()
	if !known || h <= 0 || h > 1 {
		return
	}
	s.ask(to, AskHumidity, e, "humidity_pct",
		fmt.Sprintf("The humidity of %s is %s. Was %s meant? It is left out until you answer.", phrase.Moment(e.When()), unit(h, "%"), unit(100*h, "%")),
		"The humidity is right", Reply{Say: unit(100*h, "%") + " was meant", Value: short(100 * h)})
	leaveOut(e, func(c *Calibration) *Opt[float64] { return &c.Humidity })
}

func (s *Slips) temperature(e *Entry, to *Questions) {
	t, known := e.Calibration.Temperature.Get()
	if !known {
		return
	}
	celsius := math.Round((t-32)/1.8*10) / 10
	near := func(other Opt[float64]) bool {
		o, ok := other.Get()
		return ok && t-o > jumped && math.Abs(celsius-o) < math.Abs(t-o)/3
	}
	fresh := e.When().Sub(s.Reported) <= slipWithin
	if t <= hot && !near(e.Calibration.MachineTemperature) && !(fresh && near(s.Temperature)) {
		return
	}
	s.ask(to, AskTemperature, e, "temperature_c",
		fmt.Sprintf("The temperature of %s is %s. Was it %s (%s)? It is left out until you answer.", phrase.Moment(e.When()), unit(t, "°C"), unit(t, "°F"), unit(celsius, "°C")),
		"The temperature is right", Reply{Say: unit(celsius, "°C") + " was meant", Value: short(celsius)})
	leaveOut(e, func(c *Calibration) *Opt[float64] { return &c.Temperature })
}

func (s *Slips) altitude(e *Entry, to *Questions) {
	c := e.Calibration
	h, known := c.Altitude.Get()
	if !known || c.Pressure.Known() { // the pressure wins, and intake asks about it
		return
	}
	metres := math.Round(h * feet)
	before, known := s.Altitude.Get()
	alike := known && before >= 50 && math.Abs(metres-before) <= math.Max(3, 0.01*before)
	if h <= likelyHigh && !alike {
		return
	}
	s.ask(to, AskAltitude, e, "altitude_m",
		fmt.Sprintf("The altitude of %s is %s. Was it %s (%s)? It is left out until you answer.", phrase.Moment(e.When()), unit(h, "m"), unit(h, "ft"), unit(metres, "m")),
		"The altitude is right", Reply{Say: unit(metres, "m") + " was meant", Value: short(metres)})
	leaveOut(e, func(c *Calibration) *Opt[float64] { return &c.Altitude })
}

// unit writes a value for people, with no more digits than it has.
func unit(x float64, symbol string) string {
	return phrase.Unit(strings.TrimSuffix(strings.TrimRight(phrase.Fixed(x, 2), "0"), "."), symbol)
}

// short writes a value as in a form, with no more digits than it has.
func short(x float64) string { return strconv.FormatFloat(math.Round(x*100)/100, 'f', -1, 64) }

// clocks asks about a time that cannot be right.
func clocks(e *Entry, to *Questions) {
	if e.Placed.IsZero() {
		return
	}
	text := fmt.Sprintf("A record states the time %s but arrived on %s. Its clock cannot be right, so the record counts at its arrival. Set the machine's clock.",
		phrase.Moment(e.Time), phrase.Moment(e.Received.In(e.Time.Location())))
	to.Ask(Question{Kind: AskClock, Machine: e.Machine, Records: []string{e.ID}, At: e.When(), Text: text, Replies: []Reply{}})
}
