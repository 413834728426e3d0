package command

import (
	"net/mail"
	"strings"

	"candidacy/internal/journey"
)

// ContactDetails is the body of record-contact-details. Like a name, what it
// holds goes to the identity table and to no entry.
type ContactDetails struct {
	Email string `json:"email,omitempty"`
	Phone string `json:"phone,omitempty"`
	// EmailPermission says whether the candidate wants to be written to by e-mail.
	EmailPermission string `json:"email_permission"`
}

// What a candidate says to being written to by e-mail.
const (
	PermissionGiven   = "given"
	PermissionRefused = "refused"
)

// Check implements Body.
func (b *ContactDetails) Check(f *Faults) {
	const longestPhone = 40
	f.text("phone", b.Phone, false)
	if len(b.Phone) > longestPhone || strings.ContainsAny(b.Phone, "\r\n") {
		f.Add("phone", "not one telephone number", "at most 40 bytes on one line")
	}
	if b.Phone != "" && !strings.ContainsAny(b.Phone, "0123456789") {
		f.Add("phone", "not a telephone number: it has no digit", "a number such as +46 8 555 0100")
	}
	if b.Email != "" && !IsEmail(b.Email) {
		f.Add("email", "not an e-mail address", emailForm)
	}
	f.oneOf("email_permission", b.EmailPermission, true, PermissionGiven, PermissionRefused)
	if b.EmailPermission == PermissionGiven && b.Email == "" {
		f.Add("email", "missing: a permission is given for an address", emailForm)
	}
}

// Code implements Body.
func (b *ContactDetails) Code(*journey.Command) {}

const emailForm = "an address alone, such as name@example.org"

// IsEmail reports whether a text is one e-mail address and nothing else: no
// name beside it and nothing that could begin another header.
func IsEmail(text string) bool {
	const longest = 254 // RFC 5321, 4.5.3.1.3, less the angle brackets
	if len(text) > longest || strings.ContainsAny(text, " \t\r\n<>\",;") {
		return false
	}
	address, err := mail.ParseAddress(text)
	if err != nil || address.Address != text || address.Name != "" {
		return false
	}
	_, domain, _ := strings.Cut(text, "@")
	return strings.Contains(strings.Trim(domain, "."), ".")
}
