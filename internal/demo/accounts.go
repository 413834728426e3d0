package demo

import (
	"context"
	"errors"
	"fmt"

	"candidacy/internal/journey"
	"candidacy/internal/record"
)

// Account is one sign-in of the demonstration.
type Account struct {
	ID       string
	Username string
	Name     string
	Role     journey.Role
	Password string
	// Recipient makes the account a member of that recipient's team.
	Recipient string
}

// Accounts are the invented people who work at the invented programme.
var Accounts = []Account{
	{ID: "acc-demo-coordinator", Username: "coordinator", Name: "Maren Oakfield", Role: journey.Coordinator, Password: "synthetic-coordinator"},
	{ID: "acc-demo-nephrologist", Username: "nephrologist", Name: "Ilian Sandreed", Role: journey.Clinician, Password: "synthetic-nephrologist"},
	{ID: "acc-demo-surgeon", Username: "surgeon", Name: "Petra Windlow", Role: journey.Clinician, Password: "synthetic-surgeon"},
	{ID: "acc-demo-psychologist", Username: "psychologist", Name: "Odo Merrivale", Role: journey.Clinician, Password: "synthetic-psychologist"},
	{ID: "acc-demo-advocate", Username: "advocate", Name: "Sunniva Brightwater", Role: journey.Advocate, Password: "synthetic-advocate"},
	{ID: "acc-demo-committee", Username: "committee", Name: "Aurel Hollins", Role: journey.CommitteeRole, Password: "synthetic-committee"},
	{ID: "acc-demo-auditor", Username: "auditor", Name: "Tove Ashgrove", Role: journey.Auditor, Password: "synthetic-auditor"},
	{ID: "acc-demo-administrator", Username: "administrator", Name: "Runa Tallis", Role: journey.Administrator, Password: "synthetic-administrator"},
	{ID: "acc-demo-recipient-side", Username: "recipient-side", Name: "Kasper Fennimore", Role: journey.Advocate, Password: "synthetic-recipient", Recipient: recipientOf("c07")},
}

const (
	coordinator  = "acc-demo-coordinator"
	nephrologist = "acc-demo-nephrologist"
	surgeon      = "acc-demo-surgeon"
	psychologist = "acc-demo-psychologist"
	advocate     = "acc-demo-advocate"
	committee    = "acc-demo-committee"
)

func recipientOf(candidate string) string { return "R-" + candidate }

func addAccounts(ctx context.Context, store *record.Store) error {
	for _, a := range Accounts {
		_, err := store.Account(ctx, a.ID)
		if err == nil {
			continue
		}
		if !errors.Is(err, record.ErrNotFound) {
			return err
		}
		if _, err := store.AddAccount(ctx, a.ID, a.Username, a.Name, a.Role, a.Password); err != nil {
			return fmt.Errorf("add the account %s: %w", a.Username, err)
		}
		if a.Recipient != "" {
			if err := store.AddToRecipientTeam(ctx, a.Recipient, a.ID); err != nil {
				return err
			}
		}
	}
	return nil
}
