// Package compare says whether a cleaver, a lot of electrode pairs, a model, a site, a
// machine or the place of its service does worse than the rest of the fleet. It ranks
// machines, cleavers, sites and lots, never people.
//
// [Read] reduces the history of one machine to counts and durations; [All] compares the
// groups of a fleet. Each outcome is a quantity per group, θ, with a likelihood from the
// group's own records:
//
//   - failed tries that the electrodes do not explain: in each class of the model's
//     chance that a well-prepared try fails, tries fail at the rate e + b·exp(θ), where e
//     is the fleet's and b its share of bad ends;
//   - arcs that a pair lasts, or a service holds, with pairs still in use right-censored:
//     a Weibull hazard whose shape the fleet shares;
//   - growth of required power and scatter, from stretches between two services.
//
// Both kinds of counts are Poisson, integrated over the effect of the machine: what the machine does with other cleavers or at other sites is its
// estimate, and without any it is as uncertain as machines differ. A cleaver that never
// leaves one machine is then worse only if it is worse than machines usually are.
// The groups are pooled partially (fit.PoolGroups), with the spread between groups
// half-normal beforehand, so that few groups do not show a spread of nought.
// Standardised rates with partial pooling: Clayton & Kaldor (1987), Biometrics 43:671.
//
// A group is compared with the rest: the mean of the other groups' estimates by their
// weight, with its own uncertainty. Its verdict is [Worse] if the chance that it is worse
// by the relevant amount of the outcome is above 0.9, [NoWorse] if it is below 0.1 and
// the group has enough records, else [CannotTell]. Relevant amounts, enough records and
// the scales of the spreads are proposals of ours, without a source.
package compare

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/model"
)

// Days is how far back the comparison looks.
const Days = 365

// Past is the history of one machine.
type Past struct {
	Machine, Model string
	// Kind are the parameters of its model.
	Kind     *model.Params
	Settings drift.Settings
	// From is from when on records count; zero counts all of the last [Days].
	From time.Time
	// Entries are in order, corrected, and count.
	Entries []drift.Entry
}

// By is what groups are made by.
type By string

// What groups are made by. Service is the depot that serves the machine.
const (
	ByCleaver By = "cleaver"
	ByLot     By = "lot"
	ByModel   By = "model"
	BySite    By = "site"
	ByMachine By = "machine"
	ByService By = "service"
)

// Bys lists them in the order people read them.
func Bys() []By { return []By{ByCleaver, ByLot, ByModel, BySite, ByMachine, ByService} }

// Outcome is what is compared.
type Outcome string

// The outcomes.
const (
	FailedTries   Outcome = "failed-tries"
	PairLife      Outcome = "pair-life"
	CleaningHolds Outcome = "cleaning-holds"
	NewPairHolds  Outcome = "new-pair-holds"
	Growth        Outcome = "growth"
	Scatter       Outcome = "scatter"
)

// outcomes are those that suit a grouping.
func outcomes(by By) []Outcome {
	switch by {
	case ByCleaver, BySite:
		return []Outcome{FailedTries}
	case ByLot:
		return []Outcome{PairLife, Growth, Scatter}
	case ByService:
		return []Outcome{CleaningHolds, NewPairHolds}
	}
	return []Outcome{FailedTries, PairLife, Growth, Scatter}
}

// Verdict says how a group does.
type Verdict string

// The verdicts.
const (
	Worse      Verdict = "worse"
	NoWorse    Verdict = "no-worse"
	CannotTell Verdict = "cannot-tell"
)

// The rule of the verdict.
const (
	surely   = 0.9
	unlikely = 0.1
)

// since is the beginning of the time that counts.
func since(asOf time.Time) time.Time { return asOf.AddDate(0, 0, -Days) }
