package protocol_test

import (
	"math/rand/v2"
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

// BenchmarkAssess assesses everything on record of one candidate: by the
// default protocol, and by a catalogue of 110 requirements, 80 flags and 25
// conditions with half of what it asks for on record, or all.
func BenchmarkAssess(b *testing.B) {
	for _, each := range []struct {
		name  string
		rules *protocol.Protocol
		asked float64
	}{{"default", protocol.Default(), 0}, {"large-half", parsed(b, large()), 0.5}, {"large-full", parsed(b, large()), 1}} {
		b.Run(each.name, func(b *testing.B) {
			c := full()
			r := rand.New(rand.NewPCG(1, 2))
			for _, o := range each.rules.Observations {
				switch {
				case !o.Local || r.Float64() >= each.asked:
				case o.Coded && o.Code != "iohexol-extravasation":
					c.coded(o.Code, o.Answers()[0].Code, "", day)
				case o.Title[:7] == "Analyte":
					c.quantity(o.Code, "102.5", "mg/dL", day)
				}
			}
			b.ReportAllocs()
			for b.Loop() {
				each.rules.Assess(c.person, c.results, today)
			}
			b.ReportMetric(float64(len(c.results)), "results")
		})
	}
}
