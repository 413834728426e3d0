package protocol

import "candidacy/internal/command"

// Complete fills in what a report leaves to be understood: the code system of a
// code that the protocol knows, and its title.
func (p *Protocol) Complete(results []command.Result) {
	for i := range results {
		code := &results[i].Code
		o, known := p.Observation(code.Code)
		if !known {
			continue
		}
		if code.System == "" {
			code.System = LOINCSystem
			if o.Local {
				code.System = LocalSystem
			}
		}
		if code.Display == "" {
			code.Display = o.Title
		}
	}
}
