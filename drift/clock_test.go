package drift_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

func TestClocks(t *testing.T) {
	came := func(via string, received time.Time, says time.Time) drift.Entry {
		return drift.Entry{Record: drift.Record{Time: says}, Received: received, Via: via}
	}
	minute := func(n int) time.Time { return morning.Add(time.Duration(n) * time.Minute) }
	year := func(y int) time.Time { return time.Date(y, 1, 1, 0, 0, 9, 0, time.UTC) }
	ahead := morning.AddDate(1, 0, 0)
	for name, c := range map[string]struct {
		entries []drift.Entry
		want    []time.Time
	}{
		"right":                     {[]drift.Entry{came("mqtt", minute(1), minute(0)), came("form", minute(2), minute(-9000))}, []time.Time{minute(0), minute(-9000)}},
		"a little ahead":            {[]drift.Entry{came("mqtt", minute(0), minute(5))}, []time.Time{minute(5)}},
		"ahead":                     {[]drift.Entry{came("mqtt", minute(0), ahead), came("mqtt", minute(60), ahead)}, []time.Time{minute(0), minute(60)}},
		"over HTTP":                 {[]drift.Entry{came("http", minute(0), ahead), came("http", minute(2), ahead)}, []time.Time{minute(0), minute(2)}},
		"no battery":                {[]drift.Entry{came("mqtt", minute(0), year(1980)), came("http", minute(1), year(1970))}, []time.Time{minute(0), minute(1)}},
		"lost in a file":            {[]drift.Entry{came("import", minute(0), minute(-900)), came("import", minute(0).Add(1), year(1980)), came("import", minute(0).Add(2), minute(-800))}, []time.Time{minute(-900), minute(-900), minute(-800)}},
		"first in a file":           {[]drift.Entry{came("import", minute(0), year(2000)), came("import", minute(0).Add(1), minute(-800))}, []time.Time{minute(-800), minute(-800)}},
		"alone in a file":           {[]drift.Entry{came("import", minute(0), year(1980))}, []time.Time{minute(0)}},
		"a slip of the year":        {[]drift.Entry{came("import", minute(0), minute(-900)), came("import", minute(0).Add(1), year(2062)), came("import", minute(0).Add(2), minute(-800))}, []time.Time{minute(-900), minute(-900), minute(-800)}},
		"a file of what is to come": {[]drift.Entry{came("import", minute(0), minute(900)), came("import", minute(0), minute(9000))}, []time.Time{minute(900), minute(9000)}},
		"an export of what came as it happened": {[]drift.Entry{
			came("import", minute(0), minute(0)), came("import", minute(60), minute(60)), came("import", minute(120), minute(120)), came("import", minute(180), ahead),
		}, []time.Time{minute(0), minute(60), minute(120), minute(180)}},
		"an old archive": {[]drift.Entry{came("import", minute(0), year(2015)), came("import", minute(0), year(2018))}, []time.Time{year(2015), year(2018)}},
	} {
		t.Run(name, func(t *testing.T) {
			drift.Clocks(c.entries)
			for i := range c.entries {
				assert.Equal(t, c.want[i], c.entries[i].When(), "record %d", i)
			}
		})
	}
}
