package web

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"candidacy/internal/api"
	"candidacy/internal/audit"
	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// viewer is who looks, and when. What of a candidate is kept from them is decided
// by api.Reader, as it is for the API.
type viewer struct {
	record.Account
	now time.Time
	// emergencies are the candidates that the account has open in an emergency, until
	// when; nil until asked for.
	emergencies map[string]time.Time
	// open says that what is kept from the viewer of the candidate who was found last is
	// open to them, until when.
	open time.Time
	// recipients are those whom the account cares for; nil until asked for.
	recipients map[string]bool
}

func (s *server) viewer(account record.Account) *viewer {
	return &viewer{Account: account, now: s.Now()}
}

// sees reports whether the candidate exists for the viewer. Someone who cares
// for the recipient sees nothing of the donor, not even that there is one; an
// advocate sees the people they stand by.
func (s *server) sees(ctx context.Context, v *viewer, c record.Candidate) (bool, error) {
	if !slices.Contains(readers, v.Role) {
		return false, nil
	}
	if v.Role == journey.Advocate && c.State.Advocate != v.ID {
		if _, open, err := s.opened(ctx, v, c.ID); err != nil || !open {
			return false, err
		}
	}
	cares, err := s.caresForRecipient(ctx, v, c)
	return !cares && err == nil, err
}

// caresForRecipient reports whether the viewer is of the team of the candidate's
// recipient. Nothing overrides that.
func (s *server) caresForRecipient(ctx context.Context, v *viewer, c record.Candidate) (bool, error) {
	if c.Recipient == "" {
		return false, nil
	}
	if v.recipients == nil {
		var err error
		if v.recipients, err = s.Store.RecipientsOf(ctx, v.ID); err != nil {
			return false, err
		}
	}
	return v.recipients[c.Recipient], nil
}

// find returns a candidate that the viewer may see.
func (s *server) find(ctx context.Context, v *viewer, id string) (record.Candidate, error) {
	c, err := s.Store.Candidate(ctx, id)
	if errors.Is(err, record.ErrNotFound) {
		return c, errNotFound
	}
	if err != nil {
		return c, err
	}
	ok, err := s.sees(ctx, v, c)
	if err == nil && !ok {
		err = errNotFound
	}
	if err == nil {
		audit.About(ctx, c.ID)
		v.open, _, err = s.opened(ctx, v, c.ID)
	}
	return c, err
}

// visible lists every candidate of the filter that the viewer may see.
func (s *server) visible(ctx context.Context, v *viewer, filter record.Filter) ([]record.Candidate, error) {
	const batch = 500
	if v.Role == journey.Advocate {
		filter.Advocate = v.ID
	}
	var list []record.Candidate
	for after := ""; ; {
		some, err := s.Store.List(ctx, filter, after, batch)
		if err != nil {
			return nil, err
		}
		for _, c := range some {
			ok, err := s.sees(ctx, v, c)
			if err != nil {
				return nil, err
			}
			if ok {
				list = append(list, c)
				audit.About(ctx, c.ID)
			}
			after = c.ID
		}
		if len(some) < batch {
			return list, nil
		}
	}
}

// reader is the viewer as the rules of visibility know them.
func (v *viewer) reader() api.Reader {
	return api.Reader{ID: v.ID, Role: v.Role, Emergency: !v.open.IsZero()}
}

// knowsIdentity reports whether the viewer may see who a candidate is.
func (v *viewer) knowsIdentity() bool { return v.reader().SeesName() }

// knowsRecipient reports whether the viewer may see the recipient's reference.
func (v *viewer) knowsRecipient() bool { return v.reader().SeesRecipient() }

// name is how a candidate is called in front of the viewer.
func (v *viewer) name(c record.Candidate) string {
	if v.knowsIdentity() {
		return c.Identity.Family + ", " + c.Identity.Given
	}
	return "Candidate " + strings.ToUpper(short(c.ID))
}

// identifier is the hospital's identifier, where the viewer may see it.
func (v *viewer) identifier(c record.Candidate) string {
	if v.knowsIdentity() {
		return c.Identity.Identifier.Value
	}
	return ""
}

func short(id string) string { return id[:min(8, len(id))] }
