// Package protocoltest provides a brief programme protocol for tests that need
// any protocol, and not the default one.
package protocoltest

import (
	"sync"

	"candidacy/internal/protocol"
	"candidacy/testdata/protocols"
)

// Brief is a protocol with two dozen requirements.
var Brief = sync.OnceValue(func() *protocol.Protocol {
	p, err := protocol.Parse([]byte(protocols.Brief))
	if err != nil {
		panic("the brief protocol is invalid: " + err.Error())
	}
	return p
})
