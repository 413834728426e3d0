// Package protocols holds programme protocols for tests.
package protocols

import _ "embed"

// Brief is a programme protocol with two dozen requirements.
//
//go:embed brief.yaml
var Brief string
