package smart

import (
	"sync"

	"candidacy/fhir"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// mostGrants bounds the scopes that are kept in read form.
const mostGrants = 1000

// Grants keeps what tokens are good for, so that their scopes are not read again
// with every request. It is safe for concurrent use.
type grants struct {
	mu    sync.RWMutex
	known map[string]Scopes
}

func (g *grants) of(text string) Scopes {
	g.mu.RLock()
	list, ok := g.known[text]
	g.mu.RUnlock()
	if ok {
		return list
	}
	list = ParseScopes(text)
	g.mu.Lock()
	defer g.mu.Unlock()
	if g.known == nil || len(g.known) >= mostGrants {
		g.known = map[string]Scopes{}
	}
	g.known[text] = list
	return list
}

var read grants

// GrantOf is what a bearer may do through FHIR.
func GrantOf(b record.Bearer) fhir.Grant {
	switch {
	case b.Role == journey.EHR && b.Scopes != "":
		return read.of(b.Scopes)
	case b.Role == journey.EHR:
		return wholeRead{}
	case b.Role == journey.Laboratory:
		return resultWrite{}
	case b.Role == journey.Auditor:
		return auditRead{}
	default:
		return nothing{}
	}
}
