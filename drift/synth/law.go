package synth

import (
	"fmt"
	"math"
)

// Law is how a model's machines and pairs depart in form, not in number, from
// the ordinary ones: wear as a power of arcs, scatter as one plus a power of
// arcs, independent normal errors of attempts, effects of the air that are
// linear, one gain. The zero value departs in nothing.
type Law struct {
	Wear   Wear
	Growth Growth
	Noise  Noise
	// Turn is the median of the arcs at which a pair turns, for the shapes that
	// have a turn, TurnSpread the spread of ln between pairs.
	Turn, TurnSpread float64
	// LevelScatter is what each log-percent that the level is away from a new
	// pair's adds to scatter, as a part of a new pair's scatter.
	LevelScatter float64
	// CleanRestores says that cleaning takes all growth of scatter and nothing of
	// the level.
	CleanRestores bool

	// BadLots is the share of bad lots of pairs; a lot serves the machines of
	// a home site for a while. A bad lot's wear and scatter are BadLot times the others', and its
	// turn comes that much sooner.
	BadLots, BadLot float64
	// MachineOffset is the spread over machines, in log-percent, of a level that
	// every pair of the machine has in common.
	MachineOffset float64
	// Tight is the share of machines that have three quarters of the
	// model's tolerance.
	Tight float64
	// JoltRate is the chance of a working day to end with a service of other parts
	// that shifts the level for good, Jolt the spread of the shift in log-percent.
	JoltRate, Jolt float64
	// CurvedAir says that cold acts below 10 °C only, with its square, and humidity
	// with the square of its excess; the coefficients are Temperature and Humidity.
	CurvedAir bool

	// DeadBand is the part of the tolerance within which a machine lets its setting
	// be; Averages that it corrects towards the mean of its last three estimates;
	// CoarseSteps that it sets in steps of 0.5 %, not of 0.1 %; Resets that a new
	// pair puts the setting back to nominal.
	DeadBand                      float64
	Averages, CoarseSteps, Resets bool
}

// Wear is the shape of the level in arcs.
type Wear string

// The shapes of wear. All are scaled by the pair's slope.
const (
	// PowerWear grows with a power of arcs, Model.Bend.
	PowerWear Wear = ""
	// Saturating wear comes to rest: 0.95 of it is over by 1800 arcs.
	Saturating Wear = "saturating"
	// TwoStage wear is at 0.3 of the slope until the pair's turn, then at 3 times it.
	TwoStage Wear = "two-stage"
)

// Growth is the shape of scatter in arcs, relative to a new pair's.
type Growth string

// The shapes of growth.
const (
	// PowerGrowth doubles at Model.ScatterArcs and goes with the power ScatterBend.
	PowerGrowth Growth = ""
	// Linear growth doubles at ScatterArcs, Exponential every ScatterArcs.
	Linear      Growth = "linear"
	Exponential Growth = "exponential"
	// Stairs rise by 0.6 each time the pair has burnt the arcs of its turn.
	Stairs Growth = "stairs"
	// Cliff is flat until the pair's turn, then adds one every tenth of ScatterArcs.
	Cliff Growth = "cliff"
)

// Noise is the shape of an attempt's error, of mean 0 and spread 1.
type Noise string

// The shapes of noise.
const (
	// NormalNoise is independent and normal.
	NormalNoise Noise = ""
	// HeavyTails is Student's t with 4 degrees of freedom over √2.
	HeavyTails Noise = "heavy-tails"
	// Skewed is a Gumbel distribution: its long tail asks for more power.
	Skewed Noise = "skewed"
	// Shared is normal, half its variance common to all attempts of a session.
	Shared Noise = "shared"
)

// spin draws the error of an attempt of a session whose common error is given.
func (k Noise) spin(s *stream, common float64) float64 {
	switch k {
	case HeavyTails:
		// Twice a sum of two exponentials is chi-squared with 4 degrees.
		z := s.normal()
		return z / math.Sqrt(s.exponential()+s.exponential())
	case Skewed:
		return (-math.Log(s.exponential()) - eulerGamma) / gumbelSD
	case Shared:
		return (common + s.normal()) * math.Sqrt2 / 2
	default:
		return s.normal()
	}
}

// Mean and spread of the standard Gumbel distribution: the Euler-Mascheroni
// constant and π/√6.
const (
	eulerGamma = 0.57721566490153286
	gumbelSD   = 1.28254983016186409
)

// short is the chance that an error of that spread falls short of the distance
// that a limit lies above the middle.
func (k Noise) short(limit, middle, sd float64) float64 {
	switch z := (limit - middle) / sd; k {
	case HeavyTails:
		// Student's t with 4 degrees of freedom at t = z·√2 is
		// 1/2 + 3/8·t/√(1 + t²/4)·(1 - t²/(1 + t²/4)/12); q is t²/(4 + t²).
		q := z * z / (2 + z*z)
		return 0.5 + math.Copysign(0.25*math.Sqrt(q)*(3-q), z)
	case Skewed:
		return math.Exp(-math.Exp(-(gumbelSD*z + eulerGamma)))
	default:
		return 0.5 * math.Erfc((middle-limit)/(sd*math.Sqrt2))
	}
}

// worn is the wear of a pair in log-percent, and its slope in log-percent per
// 1000 arcs.
func (p *pair) worn(m *Model) (wear, slope float64) {
	const rest = 600 // arcs; saturating wear nears its end by a factor e in these
	a := float64(p.arcs)
	switch m.Law.Wear {
	case Saturating:
		all := 2 * p.slope / (1 - math.Exp(-2000.0/rest))
		left := math.Exp(-a / rest)
		return all * (1 - left), all * left * 1000 / rest
	case TwoStage:
		if a < p.turn {
			return 0.3 * p.slope * a / 1000, 0.3 * p.slope
		}
		return p.slope * (0.3*p.turn + 3*(a-p.turn)) / 1000, 3 * p.slope
	default:
		return p.slope * 2 * math.Pow(a/2000, m.Bend), p.slope * m.Bend * math.Pow(a/2000, m.Bend-1)
	}
}

// grown is how many times a new pair's scatter this one's is, dirt apart.
func (p *pair) grown(m *Model) float64 {
	switch m.Law.Growth {
	case Linear:
		return 1 + p.deposit/m.ScatterArcs
	case Exponential:
		return math.Exp2(p.deposit / m.ScatterArcs)
	case Stairs:
		return 1 + 0.6*math.Floor(p.deposit/p.turn)
	case Cliff:
		return 1 + max(0, p.deposit-p.turn)/(m.ScatterArcs/10)
	default:
		return 1 + math.Pow(p.deposit/m.ScatterArcs, m.ScatterBend)
	}
}

// newPair is a pair of the lot that the machine's home has on a day, which is
// negative before day 0.
func (n *nature) newPair(s *stream, day int) pair {
	p, law := newPair(n.model, s), &n.model.Law
	p.offset += n.offset
	const lotDays = 45
	number := math.Floor(float64(day) / lotDays)
	lot := streamOf(n.seed, lotKey, uint64(int64(number)), uint64(n.home))
	if law.BadLots > 0 {
		p.lot = fmt.Sprintf("lot %c%.0f", 'A'+n.home, number)
	}
	if lot.chance(law.BadLots) {
		p.bad = true
		p.slope *= law.BadLot
		p.scale *= law.BadLot
		p.turn /= law.BadLot
	}
	return p
}

// jolt is what other parts' service does to the level.
func (n *nature) jolt(s *state) {
	if law := &n.model.Law; law.JoltRate > 0 && s.wear.chance(law.JoltRate) {
		s.pair.wander += law.Jolt * s.wear.normal()
	}
}

// reckon is the required power that a machine believes in, in percent, now that
// an attempt has come to the one given.
func (s *state) reckon(law *Law, wanted float64) float64 {
	if !law.Averages {
		return wanted
	}
	s.recent[s.results%len(s.recent)] = wanted
	s.results++
	sum, n := 0.0, min(s.results, len(s.recent))
	for _, x := range s.recent[:n] {
		sum += x
	}
	return sum / float64(n)
}
