package pgstore_test

import (
	"context"
	"testing"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/agent/pgstore"
	"arcdrift/agent/store"
	"arcdrift/agent/store/storetest"
	"arcdrift/drift"
)

// usage is an arc count, with something that compaction removes.
func usage(machine string, arcs int) drift.Entry {
	e := storetest.Calibration(machine, arcs)
	e.Type, e.Calibration, e.Extra = drift.TypeUsage, nil, []byte(`{"bench":2}`)
	e.ID = e.Identity()
	return e
}

// filled puts records of every kind into a store.
func filled(t *testing.T, s storetest.Store) {
	t.Helper()
	clash := storetest.Calibration("K-1", 100)
	clash.ID = storetest.Calibration("K-1", 0).ID
	setup := storetest.Calibration("K-1", 0)
	setup.Type, setup.Calibration, setup.ArcCount = drift.TypeSetup, nil, drift.Opt[int64]{}
	setup.Setup = &drift.Setup{Scope: drift.ScopeMachine, Depot: "east"}
	setup.ID = setup.Identity()
	named := storetest.Calibration("K-3", 7)
	named.Operator = "Ada Ruiz"
	for n := range 6 {
		_, err := s.Append([]drift.Entry{storetest.Calibration("K-1", n), usage("K-1", 10+n), usage("K-2", n)}, nil)
		require.NoError(t, err)
	}
	_, err := s.Append([]drift.Entry{clash, setup, named}, []drift.Refusal{{Machine: "K-1", Raw: []byte("{one"), Size: 4, Times: 1, Time: storetest.Received(), Last: storetest.Received()}})
	require.NoError(t, err)
}

// Whoever changes the tables by hand is found out.
func TestVerifyFindsWhatWasChanged(t *testing.T) {
	made := server.Database(t, template)
	s, err := pgstore.Open(t.Context(), server.URL(made), storetest.Received, pgstore.Options{})
	require.NoError(t, err)
	filled(t, s)
	report, err := s.Verify()
	require.NoError(t, err)
	require.Nil(t, report.First, "the control")
	require.EqualValues(t, 21, report.Entries)
	require.NoError(t, s.Close())

	const third = ` where machine = 'K-1' and seq = (select seq from entries where machine = 'K-1' order by seq offset 2 limit 1)`
	const last = ` where machine = 'K-1' and seq = (select max(seq) from entries where machine = 'K-1')`
	for name, sql := range map[string]string{
		"a byte of a record":        `update entries set value = set_byte(value, 60, get_byte(value, 60) # 1)` + third,
		"a record removed":          `delete from entries` + third,
		"the last one removed":      `delete from entries` + last,
		"the last one, with a head": `with gone as (delete from entries` + last + `) update heads set entries = entries - 1 where machine = 'K-1'`,
		"a machine removed":         `delete from entries where machine = 'K-2'`,
		"a machine without a trace": `with a as (delete from entries where machine = 'K-2'), b as (delete from heads where machine = 'K-2') delete from counts where machine = 'K-2'`,
		"a record copied":           `insert into entries select slot, machine, epoch, seq + 64000, kind, generation, id, value from entries` + third,
		"two records exchanged":     `update entries set seq = case seq when (select min(seq) from entries where machine = 'K-2') then 64000 else seq end where machine = 'K-2'`,
		"an id":                     `update entries set id = set_byte(id, 0, get_byte(id, 0) # 1)` + third,
		"a conflict hidden":         `update entries set kind = 0 where kind = 1`,
		"a setup hidden":            `update entries set kind = 0 where kind = 2`,
		"an arc count's record":     `delete from counts where machine = 'K-2' and seq = (select min(seq) from counts where machine = 'K-2')`,
		"an arc count reduced":      `update entries set value = (select value from entries where machine = 'K-2' order by seq limit 1) where machine = 'K-2' and seq = (select max(seq) from entries where machine = 'K-2')`,
		"a head":                    `update heads set chain = set_byte(chain, 0, get_byte(chain, 0) # 1) where machine = 'K-3'`,
		"the numbers turned back":   `update slots set seq = 0 where entries > 0`,
	} {
		t.Run(name, func(t *testing.T) {
			of := server.Database(t, made)
			s := open(t, server.URL(of))
			require.NoError(t, server.Do(context.Background(), of, sql))
			report, err := s.Verify()
			require.NoError(t, err)
			assert.NotZero(t, report.Wrong)
			if assert.NotNil(t, report.First) {
				t.Log(report.First)
			}
		})
	}
}

// A corrupt record is named, and the others are read.
func TestACorruptRecordIsLeftOut(t *testing.T) {
	at := server.Database(t, template)
	s := open(t, server.URL(at))
	filled(t, s)
	first := must(s.History("K-1"))[0].StoreSeq
	require.NoError(t, server.Do(t.Context(), at, `update entries set value = set_byte(value, 60, get_byte(value, 60) # 1) where machine = 'K-1' and seq = (select min(seq) from entries where machine = 'K-1')`))
	h, err := s.History("K-1")
	var d *store.Damage
	require.ErrorAs(t, err, &d)
	assert.Equal(t, first, d.Seq)
	assert.Len(t, h, 12)
	n, corrupt := 0, 0
	for _, err := range s.Entries() {
		if n++; err != nil {
			corrupt++
		}
	}
	assert.Equal(t, []int{21, 1}, []int{n, corrupt})
}
