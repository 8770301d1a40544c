package store_test

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/agent/store"
	"arcdrift/drift"
)

// away is a store that cannot be read, for a reason that several errors have.
type away struct{ *store.Store }

var errAway = fmt.Errorf("the database cannot be reached: %w", errors.Join(errors.New("one address"), errors.New("another")))

func (away) History(string) ([]drift.Entry, error) { return nil, errAway }

// Only damage is left out of an error: any other is passed on as it was.
func TestAReaderKeepsTheErrorsOfItsStore(t *testing.T) {
	_, err := store.NewReader(away{}, func(string) { t.Error("nothing is damaged") }).History("K-1")
	assert.Equal(t, errAway, err)
}
