// Package metrics shows the fleet to Prometheus. Everything is read from one
// set of facts at scrape time, so that a machine that left leaves no series
// behind. Units are base units: ratios from 0 to 1, seconds, bytes, arcs.
//
// Labels are the machine, its model and closed sets only, and their number is
// bounded: a fleet above Options.EachUpTo machines is told in totals plus the
// machines that need someone, worst first.
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

// Facts are what one scrape tells, taken at one moment. They are read only.
type Facts struct {
	// Ready says that every door takes records and every machine has its answer.
	Ready bool
	// Read says that the machines were read since the start. Until then nothing is
	// told of them: no machine that must stop would look like none that has to.
	Read bool
	// Machines are the assessments, the machine that needs someone most first.
	Machines []advise.Assessment
	// Records counts what came to the door since the agent started.
	Records map[Arrival]uint64
	// Firing counts the open alerts by rule; the rules are a closed set and one
	// that fires nowhere stands there with 0.
	Firing map[string]int
	// Silenced says of every rule that the bench judges whether it has silenced
	// itself.
	Silenced map[string]bool
	// Spares is what each depot should hold.
	Spares []advise.Spares
	// LookBacksOpen is how many look-backs wait for a decision, unknown until that was
	// worked out, and LookBackOldest when the machine of the oldest was found out.
	LookBacksOpen  drift.Opt[int]
	LookBackOldest time.Time
	// Channels are the ways a message can leave.
	Channels []Channel
	// Links are the connections that the agent keeps up.
	Links []Link
	// Forward is how sending on to a hub goes, nil for an agent that has none.
	Forward *Forward
	// StoreBytes is the size of the store's file.
	StoreBytes int64
}

// Link is a connection to elsewhere: broker or hub.
type Link struct {
	Name string
	Up   bool
}

// Forward is what waits for the hub, for how long the oldest has waited in seconds,
// and how many records the hub refused since the start.
type Forward struct {
	Waiting uint64
	Oldest  float64
	Refused uint64
}

// Arrival is a kind of record and what became of it. Type is empty where a
// refused record did not say.
type Arrival struct {
	Type   drift.Type
	Result Result
}

// Result is what became of an offered record.
type Result string

// The four results.
const (
	Taken     Result = "taken"
	Duplicate Result = "duplicate"
	Conflict  Result = "conflict"
	Refused   Result = "refused"
)

// Channel is a way out with the messages that wait for it. Its name is from the
// agent's configuration.
type Channel struct {
	Name    string
	Waiting int
	Dead    bool
}

// Build says which program this is.
type Build struct{ Version, Revision, Go string }

// Options bound what is told.
type Options struct {
	// EachUpTo is the largest fleet of which every machine has series of its own.
	EachUpTo int
	// WorstOf is how many machines have them in a larger fleet.
	WorstOf int
}

// DefaultOptions keep a scrape under a tenth of a second of one processor: 2,000
// machines take about 70 ms, 10,000 six times as long.
func DefaultOptions() Options { return Options{EachUpTo: 2000, WorstOf: 500} }

// Registry is a registry of the agent's own: the collector, the Go runtime and
// the process, and nothing a library may have put elsewhere.
func Registry(read func() Facts, build Build, o Options) *prometheus.Registry {
	registry := prometheus.NewRegistry()
	registry.MustRegister(
		newCollector(read, build, o),
		collectors.NewGoCollector(),
		collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}),
	)
	return registry
}

// Handler serves the registry. A scrape that hangs or a crowd of scrapers cannot
// hold the agent: few run at once, overlapping ones share one reading, and each
// has an end. What fails is told to the logger and to the scraper.
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
