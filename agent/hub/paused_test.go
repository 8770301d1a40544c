package hub_test

import (
	"fmt"
	"syscall"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"
	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/agenttest"
)

// watched has the database note who publishes a state, by the name of its connection, and
// who owns the slot at that moment.
const watched = `
create table written (by text, owner text, at timestamptz default clock_timestamp());
create function note() returns trigger language plpgsql as $$ begin
	insert into written (by, owner) select current_setting('application_name'), owner from lease where slot = new.slot;
	return new;
end $$;
create trigger note after insert or update on cache for each row execute function note();
create trigger note after insert or update on decisions for each row execute function note()`

// A process that is stopped as a computer that sleeps, and wakes up when another has taken
// its machines over, writes nothing as their owner. Then it takes its part again.
func TestAStoppedProcessWakesUp(t *testing.T) {
	y := newYard(t)
	y.run(t, "migrate")
	require.NoError(t, y.Do(t.Context(), y.database, watched))
	named := func(name string) *process {
		y.params = "&application_name=" + name
		return y.start(t, name)
	}
	one, two := named("one"), named("two")
	shared := func() bool { return one.held(t) == "32" && two.held(t) == "32" }
	agenttest.Soon(t, "the slots are shared", shared)
	arcs := 0
	send := func() {
		arcs += 10
		for n := range 40 {
			name := fmt.Sprintf("K-%02d", n)
			require.True(t, agenttest.PostOnce(two.url, count(name, fmt.Sprintf("%s-%d", name, arcs), arcs)))
		}
	}
	for range 2 {
		send() // the process that is stopped has something to publish
		time.Sleep(time.Second)
		require.NoError(t, one.cmd.Process.Signal(syscall.SIGSTOP))
		agenttest.Soon(t, "two takes over", func() bool { return two.held(t) == "64" })
		send()
		agenttest.Soon(t, "two answers for all", func() bool { return two.states(t)["K-39"].Data.Records == arcs/10 })
		require.NoError(t, one.cmd.Process.Signal(syscall.SIGCONT))
		agenttest.Soon(t, "one is back", func() bool {
			return shared() && one.states(t)["K-39"].Data.Records == arcs/10
		})
	}
	conn, err := pgx.Connect(t.Context(), y.URL(y.database))
	require.NoError(t, err)
	defer func() { require.NoError(t, conn.Close(t.Context())) }()
	var pairs, processes, owners int
	require.NoError(t, conn.QueryRow(t.Context(), `select count(distinct (by, owner)), count(distinct by), count(distinct owner) from written`).Scan(&pairs, &processes, &owners))
	assert.Equal(t, []int{2, 2, 2}, []int{pairs, processes, owners}, "who writes is the owner")
}
