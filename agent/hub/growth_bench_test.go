package hub_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
)

// BenchmarkGrowth says what a machine and a record cost in fleets of different sizes, of two
// processes that start from published states: ARCDRIFT_GROWTH lists the sizes. A hundred machines are
// real, with ten arc counts each; the others are copies of their heads, states and days under
// other names, without records. One operation is all of it.
func BenchmarkGrowth(b *testing.B) {
	sizes := os.Getenv("ARCDRIFT_GROWTH")
	if sizes == "" {
		sizes = "1000"
	}
	for size := range strings.SplitSeq(sizes, ",") {
		b.Run(size, func(b *testing.B) {
			machines, err := strconv.Atoi(size)
			require.NoError(b, err)
			h := newHalves(b)
			h.fill(b, realOnes, realCounts)
			h.publish(b)
			h.copies(b, machines)
			for b.Loop() {
				h.grown(b, machines)
			}
		})
	}
}

const realOnes, realCounts = 100, 10

// publish has one process compute the states and the days of the real machines.
func (h *halves) publish(b *testing.B) {
	p := h.start(b, "one")
	wait(b, func() bool { return got(p.url+"/readyz") != "" })
	wait(b, func() bool {
		return h.server.Do(context.Background(), "hub", fmt.Sprintf(
			`do $$ begin if (select count(*) from cache where name like '@days/%%') < %d then raise exception 'not yet'; end if; end $$`, realOnes)) == nil
	})
	require.NoError(b, p.cmd.Process.Signal(os.Interrupt))
	require.NoError(b, p.cmd.Wait())
}

// copies makes copies of the real machines. The slot of a name is its FNV-1a hash.
func (h *halves) copies(b *testing.B, machines int) {
	require.NoError(b, h.server.Do(context.Background(), "hub",
		`create function slot_of(name text) returns integer language plpgsql immutable as $$
		declare h bigint := 2166136261; begin
			for i in 0..length(name) - 1 loop
				h := ((h # get_byte(name::bytea, i)) * 16777619) & 4294967295;
			end loop;
			return h % 64;
		end $$`,
		// A name is as long as any other, in heads, states and days.
		fmt.Sprintf(`create table copies as select slot_of(name) as slot, name, of, slot_of(of) as of_slot from (
			select format('X-%%s', lpad(n::text, 6, '0')) as name, format('K-%%s', lpad((n %% %d)::text, 6, '0')) as of
			from generate_series(1, %d) n) made`, realOnes, machines-realOnes),
		`update lease set version = version + 1`, // nobody has read it
		`insert into heads select c.slot, c.name, h.epoch, h.seq, h.entries, h.conflicts, h.arcs, h.counted, h.chain, h.origin
			from copies c join heads h on h.slot = c.of_slot and h.machine = c.of`,
		`insert into cache (slot, name, value, version) select c.slot, replace(k.name, c.of, c.name),
			decode(replace(encode(k.value, 'hex'), encode(c.of::bytea, 'hex'), encode(c.name::bytea, 'hex')), 'hex'), l.version
			from copies c join lease l on l.slot = c.slot join cache k on k.slot = c.of_slot and k.name in (c.of, '@days/' || c.of)`,
		`update slots s set machines = (select count(*) from heads h where h.slot = s.slot)`,
		`drop table copies`, `analyze`))
}

// mostOfTwo is how many machines two processes on a computer of 24 GB can hold, each
// those of the whole fleet; of more than that one process is measured.
const mostOfTwo = 400_000

// grown starts the processes on what was published and asks them.
func (h *halves) grown(b *testing.B, machines int) {
	each := func(of float64) string { return fmt.Sprintf("%.0f µs a machine", of*1e6/float64(machines)) }
	began := time.Now()
	all := []*half{h.start(b, "one")}
	if machines <= mostOfTwo {
		all = append(all, h.start(b, "two"))
	}
	for _, p := range all {
		wait(b, func() bool { return got(p.url+"/readyz") != "" })
	}
	took, used := time.Since(began).Seconds(), all[0].spent(b)
	b.Logf("%d processes are ready after %.1f s, %s; processor of the first %.1f s, %s", len(all), took, each(took), used, each(used))
	for _, p := range all {
		wait(b, func() bool { return p.metric("arcdrift_share_slots_held") == float64(64/len(all)) })
		b.Logf("memory %.0f MB, %.1f KB a machine", p.resident(b)/1024, p.resident(b)/float64(machines))
	}
	settled(b, all)
	for _, page := range []string{"/", "/machines", "/morning"} {
		for i, p := range all {
			before := p.spent(b)
			first, again := asked(b, p.url+page), asked(b, p.url+page)
			b.Logf("page %s of process %d: first %v, again %v, processor for both %s", page, i+1, first, again, each(p.spent(b)-before))
		}
	}
	h.lone(b, all, settled(b, all))
	for _, p := range all {
		b.Logf("memory %.0f MB, %.1f KB a machine", p.resident(b)/1024, p.resident(b)/float64(machines))
		p.kill()
	}
}

// spentBy is the processor time of all, in seconds.
func spentBy(b *testing.B, all []*half) (sum float64) {
	for _, p := range all {
		sum += p.spent(b)
	}
	return sum
}

// settled waits until the processes do little that the start left to be done, and returns
// which part of a processor they take then.
func settled(b *testing.B, all []*half) float64 {
	const window = 70 * time.Second // a tick at least
	for last := 2.0; ; {
		before := spentBy(b, all)
		time.Sleep(window)
		quiet := (spentBy(b, all) - before) / window.Seconds()
		if quiet > 0.8*last && quiet < 0.5*float64(len(all)) {
			return quiet // it does not become less
		}
		last = quiet
	}
}

// lone posts records one after the other, and says what each takes at all processes, with
// what goes on without records and without it.
func (h *halves) lone(b *testing.B, all []*half, quiet float64) {
	const records = 60
	var waits []time.Duration
	before, began := spentBy(b, all), time.Now()
	for n := range records {
		name := fmt.Sprintf("K-%06d", n)
		h.sent++
		began := time.Now()
		require.True(b, agenttest.PostOnce(all[n%len(all)].url, fmt.Sprintf(`{"type":"usage","machine":%q,"arc_count":%d,"time":%q}`,
			name, 100*(realCounts+h.sent), time.Now().UTC().Format(time.RFC3339))))
		for _, p := range all {
			require.Eventually(b, func() bool { return p.records(name) >= realCounts+1+n/realOnes }, agenttest.Patience, 20*time.Millisecond)
		}
		waits = append(waits, time.Since(began).Round(time.Millisecond))
	}
	used, took := spentBy(b, all)-before, time.Since(began).Seconds()
	slices.Sort(waits)
	b.Logf("a record at one answered by all: median %v, at most %v; processor of all %.3f s a record, %.3f s without what goes on anyway (%.3f of a processor)",
		waits[len(waits)/2], waits[len(waits)-1], used/records, (used-took*quiet)/records, quiet)
}

// asked is how long a page takes.
func asked(b *testing.B, url string) time.Duration {
	began := time.Now()
	require.NotEmpty(b, got(url), url)
	return time.Since(began).Round(time.Millisecond)
}

// resident is the memory that the process has, in KB.
func (p *half) resident(b *testing.B) float64 {
	raw, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.cmd.Process.Pid))
	require.NoError(b, err)
	for line := range strings.Lines(string(raw)) {
		if text, is := strings.CutPrefix(line, "VmRSS:"); is {
			kb, err := strconv.ParseFloat(strings.Fields(text)[0], 64)
			require.NoError(b, err)
			return kb
		}
	}
	return 0
}
