package alert

import "time"

// Shown is an open case as people are shown it.
type Shown struct {
	Case
	Severity Severity `json:"class"`
	// Message is what would be sent now.
	Message
	// Spare says where a spare pair is; empty when it is about no machine or not known.
	Spare string `json:"spare,omitempty"`
	// Remark says why nothing is sent of it; empty when it is.
	Remark string `json:"remark,omitempty"`
}

// Show lists the open cases of a state with their texts, in the state's order. A
// case whose subject is not in the view is left out: the next step ends it.
func (p *Policy) Show(s State, v View, now time.Time) []Shown {
	st := p.begin(now)
	about := map[[2]string]subject{}
	for _, of := range p.subjects(v, now) {
		about[[2]string{of.name, string(of.rule)}] = of
	}
	var out []Shown
	for _, c := range s.Cases {
		of, there := about[c.key()]
		if c.Phase != Open || !there {
			continue
		}
		rule := st.rules[c.Rule]
		shown := Shown{Case: c, Severity: rule.Severity, Message: st.alertText(c, rule, of), Remark: st.remark(&c)}
		if of.machine != nil && rule.Bench {
			shown.Spare = of.machine.Spare
		}
		out = append(out, shown)
	}
	return out
}
