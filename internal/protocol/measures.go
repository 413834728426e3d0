package protocol

// Measures says how the programme's own measures are told.
type Measures struct {
	SmallestCell int    `yaml:"smallest_cell" doc:"smallest number of people that reports of the programme tell; 1 hides nothing; left out: 5"`
	Source       string `yaml:"source" doc:"whose rule it is"`
}

// SmallestCell is the smallest number of people that reports tell, 0 where the protocol
// leaves it to the program.
func (p *Protocol) SmallestCell() int {
	if p.Measures == nil {
		return 0
	}
	return p.Measures.SmallestCell
}

func (p *Protocol) checkMeasures(fail func(string, ...any)) {
	m := p.Measures
	if m == nil {
		return
	}
	if m.SmallestCell < 1 || m.SmallestCell > 100 {
		fail("measures.smallest_cell: accepted: 1 to 100")
	}
	if m.Source == "" {
		fail("measures.source: missing")
	}
}
