package metrics

import (
	"cmp"
	"slices"

	"github.com/prometheus/client_golang/prometheus"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// collector makes the metrics of one scrape from one set of facts.
type collector struct {
	read    func() Facts
	build   Build
	options Options
	desc    map[string]*prometheus.Desc
}

// Description is the name of a metric, what it means, and the labels of its series.
type Description struct {
	Name, Help string
	Labels     []string
}

// Descriptions lists every metric, for the manual.
func Descriptions() []Description { return slices.Clone(described) }

var described = []Description{
	{MachineState, "1 for the state the machine is in, 0 for the other four.", []string{"machine", "state"}},
	{MachineInfo, "Labels of the machine: model, the site it was last at, the depot of its spares; always 1.", []string{"machine", "model", "site", "depot"}},
	{RequiredPower, "Arc power the machine needs at reference air, above nominal.", []string{"machine"}},
	{RequiredPowerSD, "Standard deviation of the required power.", []string{"machine"}},
	{RequiredPowerSlope, "Change of required power per 1000 arcs.", []string{"machine"}},
	{PowerSetting, "Arc power setting in force, above nominal.", []string{"machine"}},
	{PowerLimit, "Greatest difference of the setting from nominal.", []string{"machine"}},
	{Scatter, "Attempt-to-attempt spread of required power at equal conditions.", []string{"machine"}},
	{ElectrodeArcs, "Arcs the fitted electrode pair has burnt.", []string{"machine"}},
	{ArcsToFailure, "Arcs to failure of the fitted pair, reached with at most this chance.", []string{"machine", "chance"}},
	{BeyondHorizon, "Chance that the pair outlasts the forecast's horizon.", []string{"machine"}},
	{Streak, "Attempts in a row without a pass, up to now.", []string{"machine"}},
	{CheckDue, "1 where a check of the machine is due, by the reason; no series where none is.", []string{"machine", "reason"}},
	{LastRecord, "When the latest record of the machine happened.", []string{"machine"}},
	{LastService, "When the latest service of the machine was, by what was done; no series without one.", []string{"machine", "action"}},
	{Machines, "Machines by state, the whole fleet.", []string{"state"}},
	{MachinesListed, "Machines that have series of their own in this scrape.", nil},
	{SparesNeeded, "Electrode pairs the depots should hold to last the lead time with this chance.", []string{"chance"}},
	{SparesHeld, "Electrode pairs that the depots report.", nil},
	{DepotsShort, "Depots that hold fewer pairs than needed for this chance.", []string{"chance"}},
	{DepotNeeded, "Electrode pairs that a depot should hold to last the lead time with this chance. At most 200 depots, the shortest first.", []string{"depot", "chance"}},
	{DepotHeld, "Electrode pairs that a depot reports.", []string{"depot"}},
	{LookBacksOpen, "Open look-backs by finding: spans of one machine, from the last point known good to the finding, with splices that wait for a decision.", nil},
	{LookBackOldest, "When the machine of the oldest of them was found out; no series where none waits.", nil},
	{Ready, "1 while every source takes records and every machine has its answer.", nil},
	{LinkUp, "1 while the connection to the outside broker or to the hub is up.", []string{"link"}},
	{ForwardWaiting, "Records that the hub does not have yet.", nil},
	{ForwardOldest, "How long the oldest of them has waited; 0 when none does.", nil},
	{ForwardRefused, "Records that the hub refused since the start.", nil},
	{Records, "Records submitted since the start, by type and result.", []string{"type", "result"}},
	{AlertsFiring, "Open alerts by rule.", []string{"rule"}},
	{RuleSilenced, "1 where alerts of a rule are not sent because the bench found it wrong too often; the lists show them.", []string{"rule"}},
	{Waiting, "Messages that wait to be delivered.", []string{"channel"}},
	{ChannelDead, "1 where messages have failed for so long that the channel counts as dead.", []string{"channel"}},
	{StoreBytes, "Size of the store's file.", nil},
	{ShareProcesses, "Processes that share the store, this one included; no series in an agent that has its store to itself.", nil},
	{ShareSlots, "Slots into which the machines are divided.", nil},
	{ShareHeld, "Slots that this process works on; over all processes they add up to the slots.", nil},
	{ShareTaken, "Slots that this process has taken since its start.", nil},
	{ShareLeads, "1 where this process learns, decides and sends for the whole fleet.", nil},
	{PoolConnections, "Connections to the database, by whether they are in use.", []string{"state"}},
	{PoolLimit, "The most connections that this process opens.", nil},
	{PoolWaits, "How often a connection had to be waited for.", nil},
	{PoolWaited, "How long they were waited for, together.", nil},
	{BuildInfo, "The version of the program; always 1.", []string{"version", "revision", "goversion"}},
}

func newCollector(read func() Facts, build Build, o Options) *collector {
	c := &collector{read: read, build: build, options: o, desc: make(map[string]*prometheus.Desc, len(described))}
	for _, d := range described {
		c.desc[d.Name] = prometheus.NewDesc(d.Name, d.Help, d.Labels, nil)
	}
	return c
}

// Describe names every metric.
func (c *collector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range c.desc {
		out <- d
	}
}

// Collect reads the facts once and writes all metrics.
func (c *collector) Collect(out chan<- prometheus.Metric) {
	f := c.read()
	s := scrape{desc: c.desc, out: out}
	listed := f.Machines
	if len(listed) > c.options.EachUpTo {
		listed = needSomeone(listed, c.options.WorstOf)
	}
	for i := range listed {
		s.machine(&listed[i])
	}
	if f.Read {
		s.fleet(&f, len(listed))
		s.spares(f.Spares)
		s.depots(f.Spares, c.options.Depots)
		s.lookBacks(&f)
	}
	s.agent(&f)
	s.links(&f)
	s.share(&f)
	s.gauge(BuildInfo, 1, c.build.Version, c.build.Revision, c.build.Go)
}

// needSomeone is the first most machines, worst first, that are not fit.
func needSomeone(machines []Machine, most int) []Machine {
	n := 0
	for n < len(machines) && n < most && machines[n].State != advise.Fit {
		n++
	}
	return machines[:n]
}

// scrape writes the metrics of one scrape.
type scrape struct {
	desc map[string]*prometheus.Desc
	out  chan<- prometheus.Metric
}

func (s *scrape) gauge(name string, v float64, labels ...string) {
	s.out <- prometheus.MustNewConstMetric(s.desc[name], prometheus.GaugeValue, v, labels...)
}

// percent writes a known percentage as a ratio; an unknown one has no sample.
func (s *scrape) percent(name string, v drift.Opt[float64], machine string) {
	if v, ok := v.Get(); ok {
		s.gauge(name, v/100, machine)
	}
}

func (s *scrape) machine(a *Machine) {
	m := a.Machine
	for _, state := range advise.States() {
		s.gauge(MachineState, oneIf(a.State == state), m, string(state))
	}
	model := ""
	if a.Model != nil {
		model = *a.Model
	}
	s.gauge(MachineInfo, 1, m, model, a.Site, a.Depot)
	s.percent(RequiredPower, a.Drift.RequiredPower, m)
	s.percent(RequiredPowerSD, a.Drift.SD, m)
	s.percent(RequiredPowerSlope, a.Drift.Per1000Arcs, m)
	s.percent(PowerSetting, a.Drift.Setting, m)
	s.percent(PowerLimit, a.Drift.Limit, m)
	s.percent(Scatter, a.Drift.Scatter, m)
	if arcs, ok := a.Electrode.Arcs.Get(); ok {
		s.gauge(ElectrodeArcs, float64(arcs), m)
	}
	if q := a.Electrode.ToFailure; q != nil {
		s.gauge(ArcsToFailure, q.P10, m, "0.1")
		s.gauge(ArcsToFailure, q.P50, m, "0.5")
		s.gauge(ArcsToFailure, q.P90, m, "0.9")
	}
	if beyond, ok := a.Electrode.BeyondHorizon.Get(); ok {
		s.gauge(BeyondHorizon, beyond, m)
	}
	s.gauge(Streak, float64(a.Streak.Attempts), m)
	if a.Due != nil {
		s.gauge(CheckDue, 1, m, string(a.Due.Reason))
	}
	if last, ok := a.Data.Last.Get(); ok {
		s.gauge(LastRecord, float64(last.UnixMilli())/1000, m)
	}
	if !a.Serviced.IsZero() {
		s.gauge(LastService, float64(a.Serviced.UnixMilli())/1000, m, string(a.Service))
	}
}

func (s *scrape) fleet(f *Facts, listed int) {
	states := map[advise.State]int{}
	for i := range f.Machines {
		states[f.Machines[i].State]++
	}
	for _, state := range advise.States() {
		s.gauge(Machines, float64(states[state]), string(state))
	}
	s.gauge(MachinesListed, float64(listed))
}

// lookBacks says how many wait for a decision, once that was worked out.
func (s *scrape) lookBacks(f *Facts) {
	open, known := f.LookBacksOpen.Get()
	if !known {
		return
	}
	s.gauge(LookBacksOpen, float64(open))
	if !f.LookBackOldest.IsZero() {
		s.gauge(LookBackOldest, float64(f.LookBackOldest.UnixMilli())/1000)
	}
}

// spares sums over all depots.
func (s *scrape) spares(depots []advise.Spares) {
	var need95, need99, short95, short99, inStock float64
	for i := range depots {
		d := &depots[i]
		need95 += float64(d.Hold95)
		need99 += float64(d.Hold99)
		h, known := d.Held.Get()
		inStock += float64(h)
		short95 += oneIf(known && h < int64(d.Hold95))
		short99 += oneIf(known && h < int64(d.Hold99))
	}
	s.gauge(SparesNeeded, need95, "0.95")
	s.gauge(SparesNeeded, need99, "0.99")
	s.gauge(DepotsShort, short95, "0.95")
	s.gauge(DepotsShort, short99, "0.99")
	s.gauge(SparesHeld, inStock)
}

// depots shows the first most depots, the one that is short by most pairs first: their
// names are free text, and the number of series is bounded.
func (s *scrape) depots(depots []advise.Spares, most int) {
	lacks := func(d *advise.Spares) int64 { return int64(d.Hold95) - d.Held.Or(0) }
	depots = slices.Clone(depots)
	slices.SortStableFunc(depots, func(a, b advise.Spares) int { return cmp.Compare(lacks(&b), lacks(&a)) })
	for i := range depots[:min(len(depots), most)] {
		d := &depots[i]
		s.gauge(DepotNeeded, float64(d.Hold95), d.Depot, "0.95")
		s.gauge(DepotNeeded, float64(d.Hold99), d.Depot, "0.99")
		if held, known := d.Held.Get(); known {
			s.gauge(DepotHeld, float64(held), d.Depot)
		}
	}
}

func (s *scrape) agent(f *Facts) {
	// Every pair of the closed sets has a sample, so that a first refusal is a rise from
	// 0 and not a new series.
	for _, t := range append(drift.Types(), "") {
		name := string(t)
		if t == "" {
			name = "unknown"
		}
		for _, r := range []Result{Taken, Duplicate, Conflict, Refused} {
			n := float64(f.Records[Arrival{t, r}])
			s.out <- prometheus.MustNewConstMetric(s.desc[Records], prometheus.CounterValue, n, name, string(r))
		}
	}
	for rule, n := range f.Firing {
		s.gauge(AlertsFiring, float64(n), rule)
	}
	for rule, silenced := range f.Silenced {
		s.gauge(RuleSilenced, oneIf(silenced), rule)
	}
	for _, c := range f.Channels {
		s.gauge(Waiting, float64(c.Waiting), c.Name)
		s.gauge(ChannelDead, oneIf(c.Dead), c.Name)
	}
	s.gauge(StoreBytes, float64(f.StoreBytes))
}

func (s *scrape) count(name string, v float64) {
	s.out <- prometheus.MustNewConstMetric(s.desc[name], prometheus.CounterValue, v)
}

// share says what this process does beside others.
func (s *scrape) share(f *Facts) {
	if is := f.Share; is != nil {
		s.gauge(ShareProcesses, float64(is.Processes))
		s.gauge(ShareSlots, float64(is.Slots))
		s.gauge(ShareHeld, float64(is.Held))
		s.count(ShareTaken, float64(is.Taken))
		s.gauge(ShareLeads, oneIf(is.Leads))
	}
	if is := f.Pool; is != nil {
		s.gauge(PoolConnections, float64(is.InUse), "used")
		s.gauge(PoolConnections, float64(is.Idle), "idle")
		s.gauge(PoolLimit, float64(is.Limit))
		s.count(PoolWaits, float64(is.Waited))
		s.count(PoolWaited, is.Waiting)
	}
}

func (s *scrape) links(f *Facts) {
	s.gauge(Ready, oneIf(f.Ready))
	for _, l := range f.Links {
		s.gauge(LinkUp, oneIf(l.Up), l.Name)
	}
	if f.Forward != nil {
		s.gauge(ForwardWaiting, float64(f.Forward.Waiting))
		s.gauge(ForwardOldest, f.Forward.Oldest)
		s.out <- prometheus.MustNewConstMetric(s.desc[ForwardRefused], prometheus.CounterValue, float64(f.Forward.Refused))
	}
}

func oneIf(b bool) float64 {
	if b {
		return 1
	}
	return 0
}
