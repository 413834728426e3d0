package smart

import (
	"encoding/json"
	"fmt"
	"strings"
	"unicode"

	"candidacy/internal/record"
)

// Fault says which field of a registration is wrong.
type Fault struct {
	// Field is name, role, scopes, jwks or jwks_url.
	Field string
	Err   error
}

// Error names the field and what is wrong with it.
func (f *Fault) Error() string { return f.Field + ": " + f.Err.Error() }

// Unwrap returns what is wrong.
func (f *Fault) Unwrap() error { return f.Err }

// ClientRoles lists the roles of clients.
var ClientRoles = []record.ClientRole{record.ClientReader, record.ClientLaboratory}

const longestName = 100

// Check checks a registration in full and brings it into the form that is kept.
// Its error is a *Fault.
func Check(c *record.Client) error {
	c.Name = strings.TrimSpace(c.Name)
	if c.Name == "" || len(c.Name) > longestName || strings.ContainsFunc(c.Name, unicode.IsControl) {
		return &Fault{"name", fmt.Errorf("a name of at most %d characters is needed, which says what system it is", longestName)}
	}
	if c.Role == "" {
		c.Role = record.ClientReader
	}
	if c.Role != record.ClientReader && c.Role != record.ClientLaboratory {
		return &Fault{"role", fmt.Errorf("no such role; accepted: %s, %s", record.ClientReader, record.ClientLaboratory)}
	}
	if _, err := CheckScopes(c.Scopes, c.Role); err != nil {
		return &Fault{"scopes", err}
	}
	c.Scopes = strings.Join(strings.Fields(c.Scopes), " ")
	return CheckKeys(c)
}

// CheckKeys checks where the keys of a registration come from: by value or from an
// address, and not both.
func CheckKeys(c *record.Client) error {
	switch {
	case len(c.Keys) > 0 && c.KeysURL != "":
		return &Fault{"jwks", fmt.Errorf("give the keys or the address of the keys, and not both")}
	case c.KeysURL != "":
		if err := CheckKeysURL(c.KeysURL); err != nil {
			return &Fault{"jwks_url", err}
		}
		return nil
	case len(c.Keys) == 0:
		return &Fault{"jwks", fmt.Errorf("a JSON Web Key Set with the public keys is needed, or the address of one")}
	}
	if _, err := ParseKeys(c.Keys); err != nil {
		return &Fault{"jwks", err}
	}
	compact, err := json.Marshal(c.Keys)
	if err != nil {
		return &Fault{"jwks", fmt.Errorf("not JSON")}
	}
	c.Keys = compact
	return nil
}
