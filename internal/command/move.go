package command

import "candidacy/internal/journey"

// MoveProtocol is the body of move-protocol.
type MoveProtocol struct {
	// Version is the stored protocol version to move to.
	Version string `json:"version"`
	Reason  string `json:"reason,omitempty"`
}

// Check implements Body.
func (b *MoveProtocol) Check(f *Faults) {
	f.id("version", b.Version)
	f.text("reason", b.Reason, false)
}

// Code implements Body.
func (b *MoveProtocol) Code(c *journey.Command) {
	c.Version, c.Reasoned = coded(b.Version), given(b.Reason)
}

// IsVersion reports whether a protocol version can be named in a command.
func IsVersion(version string) bool { return opaque.MatchString(version) }
