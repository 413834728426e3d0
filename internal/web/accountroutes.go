package web

import (
	"net/http"

	"candidacy/internal/journey"
)

const (
	pathAccounts = "/accounts"
	pathAccount  = "/account"
	pathFactor   = "/account/second-factor"
	pathPicture  = "/account/second-factor.png"
	pathCode     = "/sign-in/code"
	pathProvider = "/sign-in/provider"
	pathBack     = "/sign-in/provider/back"
	pathAudit    = "/audit"
)

// accountRoutes are the pages of accounts, of signing in beyond a password, and of the
// audit trail.
func (s *server) accountRoutes() []route {
	administrator := []journey.Role{journey.Administrator}
	return []route{
		{method: http.MethodGet, path: pathAccounts, roles: administrator, handler: s.accounts},
		{method: http.MethodPost, path: pathAccounts, roles: administrator, handler: s.changeAccounts},
		{method: http.MethodGet, path: pathAudit, roles: []journey.Role{journey.Auditor}, handler: s.auditTrail},
		{method: http.MethodGet, path: pathEmergency, roles: overriders, handler: s.emergencyPage},
		{method: http.MethodPost, path: pathEmergency, roles: overriders, handler: s.openInEmergency},
		{method: http.MethodGet, path: pathAccount, roles: everyone, own: true, handler: s.account},
		{method: http.MethodPost, path: pathAccount, roles: everyone, own: true, handler: s.changeAccount},
		{method: http.MethodGet, path: pathFactor, roles: everyone, own: true, handler: s.factor},
		{method: http.MethodPost, path: pathFactor, roles: everyone, own: true, handler: s.changeFactor},
		{method: http.MethodGet, path: pathPicture, roles: everyone, own: true, handler: s.factorPicture},
		{method: http.MethodGet, path: pathCode, public: true, handler: s.codePage},
		{method: http.MethodPost, path: pathCode, public: true, handler: s.enterCode},
		{method: http.MethodGet, path: pathProvider, public: true, handler: s.toProvider},
		{method: http.MethodGet, path: pathBack, public: true, handler: s.fromProvider},
	}
}
