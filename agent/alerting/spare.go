package alerting

import (
	"arcdrift/drift"
	"fmt"
)

// sparePart says where a spare pair for a machine lies, as far as setups state it.
func sparePart(s *drift.Settings) string {
	held, known := s.SparePairs.Get()
	switch {
	case s.Depot == "":
		return ""
	case !known:
		return "ask " + s.Depot
	case held == 0:
		return "none at " + s.Depot
	}
	return fmt.Sprintf("%d at %s", held, s.Depot)
}
