package protocol_test

import (
	"testing"

	"candidacy/internal/protocol"
)

// full is a chart with something of everything that is computed.
func full() *chart {
	c := study(man("1980-01-01").size("172", "68"), "3235", map[int]string{120: "127.4", 180: "91.2", 240: "65.3"})
	c.pressure("85354-9", "2026-02-01T08:00:00+01:00", 128, 78).pressure("85354-9", "2026-02-01T08:05:00+01:00", 126, 76).
		pressure("85354-9", "2026-03-01T08:00:00+01:00", 124, 76).pressure("85354-9", "2026-03-01T08:05:00+01:00", 122, 74)
	return c.quantity("1558-6", "92", "mg/dL", day).quantity("4548-4", "5.2", "%", day).quantity("2160-0", "0.92", "mg/dL", day).
		quantity("718-7", "14.8", "g/dL", day).quantity("6690-2", "6.1", "10*3/uL", day).quantity("777-3", "240", "10*3/uL", day).
		quantity("9318-7", "6", "mg/g{creat}", day).coded("56888-1", "260385009", "Negative", day)
}

// BenchmarkAssess assesses everything on record of one candidate.
func BenchmarkAssess(b *testing.B) {
	c := full()
	p := protocol.Default()
	b.ReportAllocs()
	for b.Loop() {
		p.Assess(c.person, c.results, today)
	}
}
