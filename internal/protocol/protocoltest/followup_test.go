package protocoltest_test

import (
	"testing"

	"candidacy/internal/protocol/protocoltest"
)

func TestFollowUp(t *testing.T) {
	p := protocoltest.FollowUp()
	if p.Version == protocoltest.Brief().Version || len(p.Ladder) != 3 || len(p.Visits) != 5 || !p.Visits[1].Reported {
		t.Errorf("got %s, %+v", p.Version, p.Visits)
	}
}
