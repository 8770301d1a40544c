package compare

import (
	"fmt"

	"arcdrift/drift/phrase"
)

// Title says what groups are made by.
func (b By) Title() string {
	switch b {
	case ByCleaver:
		return "Cleavers"
	case ByLot:
		return "Lots of pairs"
	case ByModel:
		return "Models"
	case BySite:
		return "Sites"
	case ByMachine:
		return "Machines"
	}
	return "Places of service"
}

// Title says what an outcome is.
func (o Outcome) Title() string {
	switch o {
	case FailedTries:
		return "Failed tries that the electrodes do not explain"
	case PairLife:
		return "Arcs that a pair lasts"
	case CleaningHolds:
		return "Arcs that a cleaning holds"
	case NewPairHolds:
		return "Arcs until a new pair needs its first service"
	case Growth:
		return "Growth of required power"
	}
	return "Scatter"
}

// Relevant says from when on a difference matters.
func (o Outcome) Relevant() string {
	switch o {
	case FailedTries:
		return "twice as many such failed tries"
	case Growth:
		return "0.5 % more per 1,000 arcs"
	case Scatter:
		return "a quarter more scatter"
	}
	return "a fifth fewer arcs"
}

// Word is the verdict as people read it.
func (v Verdict) Word() string { return phrase.Sentence(phrase.Code(v)) }

// Versus is the comparison with the rest, with its interval.
func (g *Group) Versus() string {
	if g.Outcome == Growth {
		return fmt.Sprintf("%s per 1,000 arcs (%s to %s)", phrase.Unit(phrase.Signed(g.Mean, 1), "%"), phrase.Signed(g.Low, 1), phrase.Signed(g.High, 1))
	}
	return fmt.Sprintf("%s times (%s to %s)", phrase.Fixed(g.Mean, 1), phrase.Fixed(g.Low, 1), phrase.Fixed(g.High, 1))
}

// Behind says which records stand behind it.
func (g *Group) Behind() string {
	var what string
	switch g.Outcome {
	case FailedTries:
		what = phrase.Count(g.Records, "session")
	case PairLife:
		what = phrase.Count(g.Records, "pair") + ", " + phrase.Integer(g.Ended) + " ended"
	case CleaningHolds:
		what = phrase.Count(g.Records, "cleaning") + ", " + phrase.Integer(g.Ended) + " ended"
	case NewPairHolds:
		what = phrase.Count(g.Records, "new pair") + ", " + phrase.Integer(g.Ended) + " ended"
	default:
		what = phrase.Count(g.Records, "period") + " between services"
	}
	if g.By == ByMachine {
		return what
	}
	return what + " on " + phrase.Count(g.Machines, "machine")
}

func (g *Group) words() string {
	return fmt.Sprintf("%s: %s, compared with the rest: %s. %s.", g.Name, lower(g.Outcome.Title()), g.Versus(), g.Verdict.Word())
}

func lower(title string) string { return string(title[0]|0x20) + title[1:] }

// words say what is known of a cleaver's edge.
func (c *CleaverLife) words() string {
	found := "not found blunt yet"
	if c.Blunt > 0 {
		found = "found blunt " + phrase.Count(c.Blunt, "time") + "; a change or repair ended " + phrase.Count(c.Cured, "failed try")
	}
	text := fmt.Sprintf("%s: %s, %s. ", c.Cleaver, phrase.Count(c.Uses, "use"), found)
	if c.Left == nil {
		return text + "Cannot tell when it is blunt."
	}
	return text + fmt.Sprintf("It is likely blunt after %s more uses; plan on %s.", c.Left.Words(), phrase.About(c.Left.P10))
}

// Words are the remaining uses as people read them.
func (l *UsesLeft) Words() string {
	return "about " + phrase.About(l.P50) + " (" + phrase.About(l.P10) + " to " + phrase.About(l.P90) + ")"
}

// rules say how a verdict is made.
func rules(blunt int) []string {
	return []string{
		"Each group is compared with the rest of the fleet. Values in brackets hold eight times in ten.",
		"Worse: the chance that it is worse by the relevant amount is above 9 in 10. No worse: the chance is below 1 in 10, and there are enough records. Everything else is: cannot tell.",
		"Relevant is, for failed tries, twice as many; for arcs, a fifth fewer; for growth, 0.5 % more per 1,000 arcs; for scatter, a quarter more. Enough are 20 sessions, or 4 pairs, services or periods between services. These are our proposals.",
		"Groups with few records are drawn towards the rest (partial pooling): one bad day makes nobody last.",
		fmt.Sprintf("The uses left are forecast from cleavers of the fleet that were found blunt. It takes %d; there are %s.", leastBlunt, phrase.Integer(blunt)),
	}
}

// limits say what is not taken into account.
func limits() []string {
	return []string{
		"Failed tries are adjusted for the state of the electrodes (age of the pair, air, setting) and for what the same machine does with other cleavers or at other sites. A cleaver that is always with one machine cannot be told from that machine: its interval is wide.",
		"Not adjusted: who made the ends, the type of fibre, and whether a site's cleavers or machines are better than others'. Arcs, growth and scatter are adjusted for the model, scatter for the age of the pair too; growth and scatter are not adjusted for the machine. Lots, depots and models are not chosen by chance.",
		"Pairs still in use count with the arcs they have lasted so far. A pair that was replaced although it still worked counts as still in use.",
		"A use of a cleaver is one try of a calibration; ends for splices are not recorded. After it was found blunt a cleaver counts as new: its blade was turned or replaced.",
	}
}
