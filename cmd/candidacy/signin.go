package main

import (
	"errors"
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"candidacy/internal/command"
	"candidacy/internal/record"
	"candidacy/internal/signin"
	"candidacy/internal/web"
)

// signInFlags say how people sign in.
type signInFlags struct {
	requireFactor                      bool
	issuer, clientID, secretFile, name string
}

func (s *signInFlags) bind(cmd *cobra.Command) {
	f := cmd.Flags()
	f.BoolVar(&s.requireFactor, "require-second-factor", false, "let nobody go on who has not set up a second factor")
	f.StringVar(&s.issuer, "oidc-issuer", "", "identity provider that people may sign in with (OpenID Connect), such as https://id.example; needs --public-url")
	f.StringVar(&s.clientID, "oidc-client-id", "", "id of this program at the identity provider")
	f.StringVar(&s.secretFile, "oidc-client-secret-file", "", "file with the secret of this program at the identity provider; without it PKCE alone protects the code")
	f.StringVar(&s.name, "oidc-name", "", "how people know the identity provider; its host otherwise")
}

// provider is the identity provider that the flags name, or nil.
func (s *signInFlags) provider(public string) (web.Provider, error) {
	if s.issuer == "" {
		if s.clientID != "" || s.secretFile != "" || s.name != "" {
			return nil, errors.New("--oidc-issuer: missing")
		}
		return nil, nil
	}
	if public == "" {
		return nil, errors.New("--oidc-issuer: --public-url is needed, which the provider sends people back to")
	}
	secret := ""
	if s.secretFile != "" {
		raw, err := os.ReadFile(s.secretFile)
		if err != nil {
			return nil, fmt.Errorf("--oidc-client-secret-file: %w", err)
		}
		if secret = strings.TrimSpace(string(raw)); secret == "" {
			return nil, errors.New("--oidc-client-secret-file: the file is empty")
		}
	}
	p, err := signin.NewProvider(signin.ProviderOptions{
		Issuer: s.issuer, ClientID: s.clientID, ClientSecret: secret, Name: s.name, Now: time.Now, Redirect: strings.TrimRight(public, "/") + web.ProviderRedirect,
	})
	if err != nil {
		return nil, fmt.Errorf("--oidc-issuer: %w", err)
	}
	return p, nil
}

// accountLink says who an account's holder is at the identity provider.
func accountLink() *cobra.Command {
	var link record.Link
	var remove bool
	cmd := accountChange("link", "Say who an account's holder is at the identity provider",
		"Whoever the provider names so is let in as this account, without its password here. An e-mail\n"+
			"address counts if the provider has verified it, until the first sign-in: the subject does then.",
		func(cmd *cobra.Command, store *record.Store, a record.Account) error {
			link.Email = strings.ToLower(link.Email)
			switch {
			case remove:
				link = record.Link{}
			case link.Issuer == "":
				return errors.New("--issuer: missing")
			case (link.Subject == "") == (link.Email == ""):
				return errors.New("--subject, --email: one of them is needed")
			case link.Email != "" && !command.IsEmail(link.Email):
				return errors.New("--email: accepted: an address alone, such as name@example.org")
			}
			if err := store.SetLink(cmd.Context(), a.ID, link); err != nil {
				return err
			}
			_, err := fmt.Fprintf(cmd.OutOrStdout(), "account %s\nusername %s\nlink %s\n", a.ID, a.Username, strings.Join(strings.Fields(link.Issuer+" "+link.Subject+" "+link.Email), " "))
			return err
		})
	f := cmd.Flags()
	f.StringVar(&link.Issuer, "issuer", "", "the provider, as --oidc-issuer of serve")
	f.StringVar(&link.Subject, "subject", "", "the person's subject there (the claim sub)")
	f.StringVar(&link.Email, "email", "", "the person's e-mail address there")
	f.BoolVar(&remove, "remove", false, "remove the link")
	return cmd
}
