package fleet

import (
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"arcdrift/drift"
	"arcdrift/drift/advise"
)

// BenchmarkAnswers: a snapshot of a fleet made from what is kept of each machine: of all
// anew, as every minute, and after a record of one.
func BenchmarkAnswers(b *testing.B) {
	for _, n := range []int{1000, 10_000, 100_000, 1_000_000} {
		members := map[string]*member{}
		for i := range n {
			name := fmt.Sprintf("K-%06d", i)
			members[name] = &member{name: name, weighed: advise.Prepare(&advise.Subject{Machine: name})}
		}
		g := &generation{cut: cut{asOf: evening}}
		all := newSnapshot(evening).next(g, maps.Values(members))
		b.Run(fmt.Sprintf("all/machines=%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				newSnapshot(evening).next(g, maps.Values(members))
			}
		})
		b.Run(fmt.Sprintf("one/machines=%d", n), func(b *testing.B) {
			b.ReportAllocs()
			for i := 0; b.Loop(); i++ {
				one := []*member{members[fmt.Sprintf("K-%06d", i*7919%n)]}
				next := all.next(g, slices.Values(one))
				for range next.Changed(all) { // as those who watch do
				}
				all = next
			}
		})
	}
}

// What is kept of a machine does not grow with its history and is under 4 KB:
// member, answer and everything they point to.
func TestKeptOfAMachine(t *testing.T) {
	const most = 4096
	before, today := story(t)
	all := append(before, today...)
	kept := func(records []drift.Record) int {
		y := newYard(t, evening)
		y.take(t, records...)
		largest := 0
		for name, m := range y.members.byName {
			a, ok := y.Snapshot().Assessment(name)
			require.True(t, ok)
			largest = max(largest, deepSize(reflect.ValueOf(*m))+deepSize(reflect.ValueOf(a)))
		}
		return largest
	}
	short, long := kept(all[:len(all)/3]), kept(all)
	assert.Less(t, long, most)
	assert.Less(t, long, short+most/10, "it grows with the history")
	t.Logf("the most kept of a machine: %d bytes", long)
}

// deepSize is a value's size with what its slices, strings and pointers hold;
// time zones are shared and do not count.
func deepSize(v reflect.Value) int {
	size := int(v.Type().Size())
	switch v.Kind() {
	case reflect.String:
		size += v.Len()
	case reflect.Slice:
		size += v.Cap() * int(v.Type().Elem().Size())
		for i := range v.Len() {
			size += deepSize(v.Index(i)) - int(v.Type().Elem().Size())
		}
	case reflect.Pointer:
		if !v.IsNil() && v.Type() != reflect.TypeFor[*time.Location]() {
			size += deepSize(v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			size += deepSize(v.Field(i)) - int(v.Field(i).Type().Size())
		}
	case reflect.Map, reflect.Func, reflect.Chan, reflect.Interface:
		panic("a " + v.Kind().String() + " is kept of a machine: its size is not known")
	}
	return size
}

// Writing the state changes nothing, as pages answer from the same values
// meanwhile. The race detector sees a write that leaves no trace.
func TestWritingStateChangesNothing(t *testing.T) {
	before, today := past(t, evening)
	y := newYard(t, evening)
	y.take(t, append(before, today...)...)
	pop := y.generation.Load().pop
	text := func() string {
		var b strings.Builder
		deepText(&b, reflect.ValueOf(pop))
		return b.String()
	}
	was := text()
	var both sync.WaitGroup
	for range 2 {
		both.Go(func() { pop.AppendState(nil) })
	}
	both.Wait()
	assert.Equal(t, was, text())
	assert.Greater(t, len(was), 1000, "control: the text holds what was learnt")
}

// deepText writes a value with all that its pointers lead to.
func deepText(b *strings.Builder, v reflect.Value) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			deepText(b, v.Elem())
		}
	case reflect.Struct:
		for i := range v.NumField() {
			fmt.Fprint(b, v.Type().Field(i).Name, ":")
			deepText(b, v.Field(i))
		}
	case reflect.Slice, reflect.Array:
		for i := range v.Len() {
			deepText(b, v.Index(i))
		}
	case reflect.Map:
		keys := v.MapKeys()
		slices.SortFunc(keys, func(x, y reflect.Value) int { return strings.Compare(fmt.Sprint(x), fmt.Sprint(y)) })
		for _, key := range keys {
			fmt.Fprint(b, key, ":")
			deepText(b, v.MapIndex(key))
		}
	default:
		fmt.Fprint(b, v, " ")
	}
}
