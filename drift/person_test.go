package drift_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"arcdrift/drift"
)

func TestPeople(t *testing.T) {
	r := drift.Record{Type: drift.TypeCorrection, Machine: "K-07", Operator: "Jo Lund", Correction: &drift.Correction{Corrects: "a1", Reason: "typing slip",
		Changes: []drift.Change{{Field: "operator", Value: "Ada Ruiz"}, {Field: "site", Value: "Ada Ruiz"}, {Field: "temperature_c", Value: nil}}}}
	assert.Equal(t, []string{"Jo Lund", "Ada Ruiz"}, r.People())
	assert.True(t, r.Personal())
	assert.False(t, (&drift.Record{Type: drift.TypeUsage}).Personal())

	hidden := r.WithPeople(func(name string) string { return "[" + name + "]" })
	assert.Equal(t, "[Jo Lund]", hidden.Operator)
	assert.Equal(t, []drift.Change{{Field: "operator", Value: "[Ada Ruiz]"}, {Field: "site", Value: "Ada Ruiz"}, {Field: "temperature_c"}}, hidden.Correction.Changes)
	assert.Equal(t, []string{"Jo Lund", "Ada Ruiz"}, r.People(), "the record itself does not change")
	assert.Equal(t, r.Identity(), hidden.Identity())
	assert.NotEqual(t, r.NamedIdentity(), hidden.NamedIdentity())

	unknown := r
	correction := *r.Correction
	correction.Changes = []drift.Change{{Field: "operator"}, correction.Changes[1], correction.Changes[2]}
	unknown.Correction = &correction
	assert.NotEqual(t, r.Identity(), unknown.Identity(), "to state that nobody is known is another correction")
}

func TestIsPseudonym(t *testing.T) {
	assert.True(t, drift.IsPseudonym("person-abcdefgh234567xy"))
	for _, name := range []string{"", "person-", "person-1", "Ada Ruiz", "person-ABCDEFGH234567XY", "person-abcdefgh23456 xy", "person-abcdefgh234567xyz"} {
		assert.False(t, drift.IsPseudonym(name), name)
	}
}
