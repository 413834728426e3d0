package web

import (
	"encoding/json"
	"fmt"

	"candidacy/internal/record"
)

// accountChangeWord says what a change made of an account, beside what it was before
// where that is known.
func accountChangeWord(change record.AccountChange, before *record.AccountChange) (string, error) {
	word := known(accountChangeWords, change.Kind)
	var is, was record.AccountState
	if err := json.Unmarshal(change.State, &is); err != nil {
		return "", fmt.Errorf("read a change of an account: %w", err)
	}
	if before != nil {
		if err := json.Unmarshal(before.State, &was); err != nil {
			return "", fmt.Errorf("read a change of an account: %w", err)
		}
	}
	from := func(was, is string) string {
		switch {
		case was == is || was == "" && is == "":
			return ""
		case was == "":
			return ": " + is
		case is == "":
			return ": none, formerly " + was
		}
		return ": " + is + ", formerly " + was
	}
	switch change.Kind {
	case record.AccountAdded, record.AccountFound:
		word += ", " + roleWord(is.Role)
	case record.AccountRole:
		before := ""
		if was.Role != "" {
			before = roleWord(was.Role)
		}
		word += from(before, roleWord(is.Role))
	case record.AccountEmail:
		word += from(was.Email, is.Email)
	case record.AccountRenamed:
		word += from(was.Name, is.Name)
	case record.AccountLinked, record.AccountLinkFollowed:
		if is.Link != nil {
			word += ": " + or(is.Link.Email, is.Link.Subject)
		}
	}
	return word, nil
}
