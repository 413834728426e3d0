package web

import (
	"net/url"
	"strings"

	"candidacy/activities"
	"candidacy/internal/command"
	"candidacy/internal/record"
)

var permissionWords = map[string]string{
	command.PermissionGiven: "may be written to by e-mail", command.PermissionRefused: "does not want e-mail",
}

// contactAction is how contact details are asked for.
var contactAction = action{
	Title: "Record contact details", Button: "Record the details", Done: "The contact details are recorded.",
	Hint: "They replace what is on record. Messages by e-mail ask the candidate to call, and say nothing else.",
	Fields: func(s scene) []field {
		c := s.candidate.Contact
		return []field{
			{Name: "email", Label: "E-mail address", Type: "email", Value: c.Email, Optional: true, Complete: "off"},
			{Name: "phone", Label: "Telephone", Type: "tel", Value: c.Phone, Optional: true, Complete: "off"},
			{Name: "email_permission", Label: "Messages by e-mail", Type: "radio", Value: c.Permission, Options: []option{
				{command.PermissionGiven, "The candidate agrees to get them"}, {command.PermissionRefused, "The candidate does not want them"},
			}},
		}
	},
	Body: func(_ scene, v url.Values, _ string) (command.Body, []problem) {
		return &command.ContactDetails{
			Email: strings.TrimSpace(v.Get("email")), Phone: strings.TrimSpace(v.Get("phone")), EmailPermission: v.Get("email_permission"),
		}, nil
	},
}

// contactFacts are for those who may see who the candidate is.
func contactFacts(c record.Contact) []fact {
	var list []fact
	if c.Email != "" {
		list = append(list, fact{"E-mail", c.Email + ", " + known(permissionWords, c.Permission)})
	} else if c.Permission == command.PermissionRefused {
		list = append(list, fact{"E-mail", capital(known(permissionWords, c.Permission))})
	}
	if c.Phone != "" {
		list = append(list, fact{"Telephone", c.Phone})
	}
	return list
}

// contactDetails are what the entry says: that there are some, and not which.
func contactDetails(e record.Entry) []fact {
	var body activities.ContactEntry
	read(e, &body)
	var kinds []string
	if body.Email {
		kinds = append(kinds, "e-mail address")
	}
	if body.Phone {
		kinds = append(kinds, "telephone")
	}
	list := []fact{{"E-mail", "The candidate " + known(permissionWords, body.EmailPermission)}}
	if len(kinds) > 0 {
		list = append(list, fact{"Recorded", capital(strings.Join(kinds, " and "))})
	}
	return list
}
