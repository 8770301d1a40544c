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

// BenchmarkGrowth says what a machine costs in fleets of different sizes, of two processes
// that start from published states: ARCDRIFT_GROWTH lists the sizes. A hundred machines are
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

// grown starts both processes on what was published and asks them.
func (h *halves) grown(b *testing.B, machines int) {
	each := func(of float64) string { return fmt.Sprintf("%.0f µs a machine", of*1e6/float64(machines)) }
	began := time.Now()
	one, two := h.start(b, "one"), h.start(b, "two")
	both := []*half{one, two}
	for _, p := range both {
		wait(b, func() bool { return got(p.url+"/readyz") != "" })
	}
	took := time.Since(began).Seconds()
	b.Logf("both are ready after %.1f s, %s; processor %.1f and %.1f s, %s", took, each(took), one.spent(b), two.spent(b), each(one.spent(b)))
	wait(b, func() bool {
		return one.metric("arcdrift_share_slots_held") == 32 && two.metric("arcdrift_share_slots_held") == 32
	})
	b.Logf("memory %.0f and %.0f MB, %.1f KB a machine", one.resident(b)/1024, two.resident(b)/1024, one.resident(b)/float64(machines))
	for _, page := range []string{"/", "/machines", "/morning"} {
		for i, p := range both {
			before := p.spent(b)
			first, again := asked(b, p.url+page), asked(b, p.url+page)
			b.Logf("page %s of process %d: first %v, again %v, processor for both %s", page, i+1, first, again, each(p.spent(b)-before))
		}
	}
	var waits []time.Duration
	before := one.spent(b) + two.spent(b)
	for n := range 20 {
		name := fmt.Sprintf("K-%06d", n)
		h.sent++
		began := time.Now()
		require.True(b, agenttest.PostOnce(both[n%2].url, fmt.Sprintf(`{"type":"usage","machine":%q,"arc_count":%d,"time":%q}`,
			name, 100*(realCounts+h.sent), time.Now().UTC().Format(time.RFC3339))))
		for _, p := range both {
			require.Eventually(b, func() bool { return p.records(name) > realCounts }, agenttest.Patience, 20*time.Millisecond)
		}
		waits = append(waits, time.Since(began).Round(time.Millisecond))
	}
	slices.Sort(waits)
	b.Logf("a record at one answered by both: median %v, at most %v; processor of both %.2f s a record", waits[len(waits)/2], waits[len(waits)-1], (one.spent(b)+two.spent(b)-before)/float64(len(waits)))
	one.kill()
	two.kill()
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
