// Package metrics shows the fleet to Prometheus. Everything is read from one
// set of facts at scrape time, so that a machine that left leaves no series
// behind. Units are base units: ratios from 0 to 1, seconds, bytes, arcs.
//
// Labels are the machine, its model, site and depot, and closed sets only, and the number
// of series is bounded: a fleet above Options.EachUpTo machines has totals, and series for
// the machines that need someone, worst first; of the depots the shortest have series.
package metrics

import (
	"net/http"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// Facts are what one scrape is made from, at one moment. They are read only.
type Facts struct {
	// Ready says that every source takes records and every machine has its answer.
	Ready bool
	// Read says that the machines have been read since the start. Before that there are no
	// metrics of machines: zero machines to stop would look like good news.
	Read bool
	// Machines are the assessments, the machine that needs someone most first.
	Machines []Machine
	// Records counts the records that were submitted since the agent started.
	Records map[Arrival]uint64
	// Firing counts the open alerts by rule; a rule without one is there with 0.
	Firing map[string]int
	// Silenced says for every rule that the bench judges whether it has silenced itself.
	Silenced map[string]bool
	// Spares is what each depot should hold.
	Spares []advise.Spares
	// LookBacksOpen is how many look-backs wait for a decision, unknown until that was
	// worked out, and LookBackOldest when the machine of the oldest was found out.
	LookBacksOpen  drift.Opt[int]
	LookBackOldest time.Time
	// Channels are the channels of messages.
	Channels []Channel
	// Links are the agent's connections to the outside.
	Links []Link
	// Forward is how forwarding to a hub goes, nil for an agent without a hub.
	Forward *Forward
	// StoreBytes is the size of the store's file.
	StoreBytes int64
	// Share is what this process works on, nil where it has the store to itself; Pool is
	// the use of its connections to the database, nil for a store without.
	Share *Share
	Pool  *Pool
}

// Share is the part of a fleet that one of several processes works on.
type Share struct {
	// Processes live; this one holds Held of Slots, and has taken Taken since its start.
	Processes, Held, Slots int
	Taken                  uint64
	// Leads says that it decides and learns for all.
	Leads bool
}

// Pool is the use of connections to a database.
type Pool struct {
	InUse, Idle, Limit int
	// Waited counts how often a connection was waited for, Waiting for how long in
	// seconds.
	Waited  int64
	Waiting float64
}

// Machine is a machine's assessment with its labels.
type Machine struct {
	*advise.Assessment
	// Site is where it was last, Depot where its spares lie.
	Site, Depot string
	// Service is what was done last and Serviced when; zero without one.
	Service  drift.Action
	Serviced time.Time
}

// Link is a connection to the outside broker or the hub.
type Link struct {
	Name string
	Up   bool
}

// Forward is how many records wait for the hub, how long the oldest has waited in seconds,
// and how many records the hub has refused since the start.
type Forward struct {
	Waiting uint64
	Oldest  float64
	Refused uint64
}

// Arrival is a type of record and the result of submitting it. Type is empty for a refused
// record without one.
type Arrival struct {
	Type   drift.Type
	Result Result
}

// Result is the result of submitting a record.
type Result string

// The four results.
const (
	Taken     Result = "taken"
	Duplicate Result = "duplicate"
	Conflict  Result = "conflict"
	Refused   Result = "refused"
)

// Channel is a channel with its waiting messages. Its name is from the agent's
// configuration.
type Channel struct {
	Name    string
	Waiting int
	Dead    bool
}

// Build identifies the program.
type Build struct{ Version, Revision, Go string }

// Options limit the number of series.
type Options struct {
	// EachUpTo is the largest fleet of which every machine has series of its own.
	EachUpTo int
	// WorstOf is how many machines have series of their own in a larger fleet.
	WorstOf int
	// Depots is how many depots have series of their own.
	Depots int
}

// DefaultOptions keep a scrape under a tenth of a second of one processor: 2,000
// machines take about 70 ms, 10,000 six times as long.
func DefaultOptions() Options { return Options{EachUpTo: 2000, WorstOf: 500, Depots: 200} }

// Registry is the agent's own registry: the collector, the Go runtime and the process,
// without the global registry that libraries write to.
func Registry(read func() Facts, build Build, o Options) *prometheus.Registry {
	registry := prometheus.NewRegistry()
	registry.MustRegister(
		newCollector(read, build, o),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return registry
}

// Handler serves the registry. Many or hanging scrapes do not block the agent: few run at
// once, overlapping ones share one reading, and each has a time limit. Errors go to the
// log and to the scraper.
func Handler(registry *prometheus.Registry, log promhttp.Logger) http.Handler {
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{
		Registry:            registry,
		ErrorLog:            log,
		ErrorHandling:       promhttp.HTTPErrorOnError,
		MaxRequestsInFlight: 4,
		CoalesceGather:      true,
		Timeout:             10 * time.Second,
		EnableOpenMetrics:   true,
	})
}
