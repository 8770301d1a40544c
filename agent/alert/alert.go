// Package alert decides who receives which message, and when. It is a pure state machine:
// from its state, what is known now and a moment it makes the next state and
// the actions to carry out. It sends nothing itself and looks at no clock.
//
// There is one open case per subject and rule. A case opens when its condition
// has lasted for the rule's hold time, is sent once, and ends when the bench logs
// a service or the condition has been gone for long enough; then those who
// received it get one note. Every action has a key that is the same for the same event
// for ever, so that a restart or a repeat sends nothing twice: keep the new state
// and the actions in one transaction.
package alert

import (
	"time"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Severity says when somebody is informed.
type Severity string

// The three severities.
const (
	Stop Severity = "stop" // now
	Plan Severity = "plan" // next working morning
	Note Severity = "note" // in the morning list only
)

// RuleName is what a case is about; it names the rule in reports and metrics.
type RuleName string

// The rules: four of machines, two of the agent itself.
const (
	MustStop      RuleName = "stop"
	ElectrodesDue RuleName = "electrode-service"
	CheckFirst    RuleName = "check-first"
	MachineSilent RuleName = "machine-silent"
	SourceSilent  RuleName = "door-silent"
	ChannelDead   RuleName = "channel-dead"
)

// OfMachine says whether the rule is about machines, and not about the agent itself.
func (r RuleName) OfMachine() bool { return r != SourceSilent && r != ChannelDead }

// Rule says how the cases of one rule live.
type Rule struct {
	Name     RuleName
	Severity Severity
	// Hold is how long the condition must last before a case opens, Clear how
	// long it must be gone before the case ends.
	Hold, Clear time.Duration
	// Rest is how long after a service without a new pair the rule rests
	// although its condition continues: the as-left calibration may still come.
	Rest time.Duration
	// Judged marks a conclusion that can be wrong. It is sent only where it is
	// expected right often enough; what is simply so needs no such proof.
	Judged bool
	// Bench marks a rule that a service record answers.
	Bench bool
}

// Rules lists the rule of every rule. The times are proposals: long enough
// that a verdict which wavers makes one case, short enough for a working day.
func Rules() []Rule {
	const day = 24 * time.Hour
	return []Rule{
		{Name: MustStop, Severity: Stop, Clear: time.Hour, Rest: day, Judged: true, Bench: true},
		{Name: ElectrodesDue, Severity: Plan, Hold: time.Hour, Clear: advise.QuietDays * day, Rest: 7 * day, Judged: true, Bench: true},
		{Name: CheckFirst, Severity: Note, Hold: time.Hour, Judged: true},
		{Name: MachineSilent, Severity: Note},
		{Name: SourceSilent, Severity: Plan, Clear: 10 * time.Minute},
		{Name: ChannelDead, Severity: Plan, Clear: 10 * time.Minute},
	}
}

// RightEnough is how often a judged rule must be expected right on this fleet's
// scored history before it may send: eight times in ten.
const RightEnough = 0.8

// Policy is what the house has settled.
type Policy struct {
	// Right is how often each judged rule is expected right, 0 to 1. A rule
	// without a number goes to the morning list.
	Right map[RuleName]float64
	// Scores are what the bench has found of the rules that it answers.
	Scores map[RuleName]Score
	// To names the channels that each severity goes to. The morning list goes to
	// those of Note.
	To map[Severity][]string
	// Audience limits channels to the machines of some customers.
	Audience Audience
	// Together names the channels that get one message for all machines of a depot
	// that are to be serviced, not one each.
	Together []string
	// Hold replaces the hold times of the rules it names.
	Hold map[RuleName]time.Duration
	// Morning is when a working day starts, since midnight; WorkDays is indexed
	// by weekday.
	Morning  time.Duration
	WorkDays [7]bool
	// Zone is the fleet's, for the morning list and the agent's own rules.
	Zone *time.Location
	// Page is the address of the agent's pages; empty leaves links out.
	Page string
}

// View is everything known at one moment.
type View struct {
	Machines []Machine
	Sources  []Source
	Channels []Channel
}

// Machine is a machine in use with its assessment.
type Machine struct {
	*advise.Assessment
	// Zone is the machine's; nil means the fleet's.
	Zone *time.Location
	// Spare says where a spare pair lies, in the user's words; empty if unknown.
	Spare string
	// Depot is whose crews it belongs to; empty if unknown.
	Depot string
	// Customer is whose machine it is, where an agent serves several; empty if none.
	Customer string
	// Service is the latest service of the pair; zero if there was none.
	Service Service
}

// Service is what the bench last did.
type Service struct {
	Time    time.Time
	Action  drift.Action
	Finding drift.Finding
	// Fresh says that it was not known at the step before.
	Fresh bool
}

// Source is a way in. It is silent when nothing came for longer than Quiet.
type Source struct {
	Name  string
	Last  time.Time
	Limit time.Duration
}

// Channel is a way out and whether its messages have failed for too long.
type Channel struct {
	Name    string
	Dead    bool
	Waiting int
	// Why is the last failure, one sentence.
	Why string
}

// State is what alert remembers from one step to the next. The zero State is
// the beginning. It is kept as JSON.
type State struct {
	// Cases are in order of subject and rule.
	Cases []Case `json:"cases"`
	// NextList is when the next morning list is due.
	NextList time.Time `json:"next_list"`
}

// Firing counts the open cases of every rule, also those that have none.
func (s State) Firing() map[string]int {
	n := map[string]int{}
	for _, r := range Rules() {
		n[string(r.Name)] = 0
	}
	for _, c := range s.Cases {
		if c.Phase == Open {
			n[string(c.Rule)]++
		}
	}
	return n
}

// Phase is the phase of a case.
type Phase string

// The three phases.
const (
	Pending Phase = "held"    // the condition is met, not yet for long enough
	Open    Phase = "open"    // somebody should act
	Resting Phase = "resting" // answered by the bench; the condition is still met
)

// Case is one rule of one subject: a machine, a source or a channel.
type Case struct {
	Subject string   `json:"subject"`
	Rule    RuleName `json:"matter"`
	Phase   Phase    `json:"phase"`
	// What is the case in one sentence, as last worded, and Clears what would
	// clear it; RequiresOpening says that somebody must open the machine for it.
	What            string `json:"what,omitempty"`
	Clears          string `json:"clears,omitempty"`
	RequiresOpening bool   `json:"touches,omitempty"`
	// Since is when the condition began, Gone when it ended (zero while it
	// is met), Opened and Answered when the phase began.
	Since    time.Time `json:"since"`
	Gone     time.Time `json:"gone,omitzero"`
	Opened   time.Time `json:"opened,omitzero"`
	Answered time.Time `json:"answered,omitzero"`
	// Due is when the message may leave; zero when it is for the list only.
	Due time.Time `json:"due,omitzero"`
	// SentTo are the channels that got the alert, SentAt when first. Again asks for
	// it once more after a silence, Round counts those.
	SentTo []string  `json:"told,omitempty"`
	SentAt time.Time `json:"told_at,omitzero"`
	Again  bool      `json:"again,omitempty"`
	Round  int       `json:"round,omitempty"`
	// Depot is the machine's when it was sent, so that the note of its end finds
	// the alert.
	Depot string `json:"depot,omitempty"`
	// Service is the time of the latest service when the case began: a later one
	// answers it.
	Service time.Time `json:"service,omitzero"`
	// Listed says that a morning list has named it.
	Listed bool `json:"listed,omitempty"`
	// Acknowledged is who works on it, Silence who silenced it.
	Acknowledged *Acknowledgement `json:"taken,omitempty"`
	Silence      *Silence         `json:"quiet,omitempty"`
}

// Acknowledgement says who works on a case. An acknowledged case is not sent any
// more; it stays open until it ends by itself.
type Acknowledgement struct {
	By string    `json:"by"`
	At time.Time `json:"at"`
}

// Silence mutes a case until a moment, for a reason. At the end, an alert
// whose condition is still met is sent once more.
type Silence struct {
	By     string    `json:"by"`
	Reason string    `json:"reason"`
	Until  time.Time `json:"until"`
}

// Kind is what an action is.
type Kind string

// The three kinds of action.
const (
	Alert   Kind = "alert"
	Cleared Kind = "cleared"
	List    Kind = "list"
)

// Action is one message to be delivered to the channels it names. It is kept
// and sent as JSON.
type Action struct {
	// Key is the same for the same event, for ever: a repeat is a no-op. Case is
	// common to the alert and the note that clears it.
	Key      string   `json:"key"`
	Case     string   `json:"case"`
	Kind     Kind     `json:"kind"`
	Severity Severity `json:"class"`
	Rule     RuleName `json:"matter,omitempty"`
	// Subject is empty in a list and where Cases holds those of several machines of
	// a Depot.
	Subject string    `json:"subject,omitempty"`
	Depot   string    `json:"depot,omitempty"`
	Cases   []string  `json:"cases,omitempty"`
	Opened  time.Time `json:"opened,omitzero"`
	At      time.Time `json:"at"`
	To      []string  `json:"to,omitempty"`
	Message
}

// Message is a text in its three lengths.
type Message struct {
	// Short is at most 160 plain characters, for SMS-like channels.
	Short string `json:"short"`
	Title string `json:"title"`
	Body  string `json:"body"`
}

// End says how a case ended.
type End string

// The three ends, and one for a case that never was: electrodes found worn
// or dirty without an alert.
const (
	ByService   End = "service"
	ByItself    End = "cleared"
	LeftBehind  End = "left" // the subject is no longer there
	Unannounced End = "unannounced"
)

// Outcome is a case that ended, for the report card.
type Outcome struct {
	Subject string    `json:"subject"`
	Rule    RuleName  `json:"matter"`
	Opened  time.Time `json:"opened"`
	SentAt  time.Time `json:"told_at,omitzero"`
	Ended   time.Time `json:"ended"`
	End     End       `json:"end"`
	// Service is when the service was that ended it, with what was done and found.
	Service time.Time     `json:"service,omitzero"`
	Action  drift.Action  `json:"action,omitempty"`
	Finding drift.Finding `json:"finding,omitempty"`
}
