package linkage

import (
	"fmt"
	"math"
	"strings"
	"testing"

	"github.com/hbollon/go-edlib"
	"pgregory.net/rapid"
)

// The similarities are those that Winkler published for pairs of names (String comparator
// metrics, 1990, and Overview of record linkage, 2006, table 6): they hold the library to
// the method that this package names.
func TestPublishedSimilarities(t *testing.T) {
	for _, c := range []struct {
		a, b string
		want float64
	}{
		{"MARTHA", "MARHTA", 0.961}, {"DIXON", "DICKSONX", 0.813}, {"DWAYNE", "DUANE", 0.840},
		{"DUNNINGHAM", "CUNNIGHAM", 0.896}, {"ABROMS", "ABRAMS", 0.922}, {"JERALDINE", "GERALDINE", 0.926},
	} {
		if got := float64(edlib.JaroWinklerSimilarity(c.a, c.b)); math.Abs(got-c.want) > 0.0006 {
			t.Errorf("%s and %s: %.4f, published %.3f", c.a, c.b, got, c.want)
		}
	}
}

func TestFold(t *testing.T) {
	for name, want := range map[string]string{
		"  Müller-Lüdenscheidt ": "muller ludenscheidt", "O’Brien": "obrien", "O'Brien": "obrien", "Straße": "strasse", "SØRENSEN": "sorensen",
		"Łukasz": "lukasz", "Nguyễn": "nguyen", "Jean‐Luc": "jean luc", "İpek": "ipek", "Æsa": "aesa", "Ḿary  Ann": "mary ann", "": "",
	} {
		if got := Fold(name); got != want {
			t.Errorf("Fold(%q) = %q, expected %q", name, got, want)
		}
	}
}

var ottilie = Person{Given: "Ottilie Marta", Family: "Fjällgren", Born: "1979-05-02", Sex: "female", System: "urn:oid:1", Identifier: "12-345 X"}

func TestCompare(t *testing.T) {
	change := func(f func(*Person)) Person {
		p := ottilie
		p.Identifier = "99999"
		f(&p)
		return p
	}
	for name, c := range map[string]struct {
		other            Person
		possible, likely bool
		says             string
	}{
		"the same":                    {change(func(*Person) {}), true, true, "same birth date; same family name; same given name"},
		"accents and capitals":        {change(func(p *Person) { p.Family = "FJALLGREN" }), true, true, "same family name"},
		"one letter":                  {change(func(p *Person) { p.Family = "Fjällgrenn" }), true, true, "same birth date; family name differs by one letter"},
		"two letters swapped":         {change(func(p *Person) { p.Family = "Fjällgrne" }), true, true, "family name has two letters swapped"},
		"a similar name":              {change(func(p *Person) { p.Family = "Fjällgrehn-s" }), true, true, "family name is similar"},
		"a double name":               {change(func(p *Person) { p.Family = "Fjällgren-Holm" }), true, true, "family name agrees in one part"},
		"a given name left out":       {change(func(p *Person) { p.Given = "Ottilie" }), true, true, "given name agrees in one part"},
		"another family name":         {change(func(p *Person) { p.Family = "Holm" }), true, false, "family name differs"},
		"a twin":                      {change(func(p *Person) { p.Given = "Bo" }), true, true, "given name differs"},
		"names swapped":               {change(func(p *Person) { p.Given, p.Family = p.Family, p.Given }), true, true, "given and family name are swapped"},
		"names swapped, a letter off": {change(func(p *Person) { p.Given, p.Family = "Fjellgren", p.Given }), true, true, "given and family name are swapped"},
		"one digit of the birth date": {change(func(p *Person) { p.Born = "1979-05-03" }), true, true, "birth date differs by one digit"},
		"one digit of the year":       {change(func(p *Person) { p.Born = "1978-05-02" }), true, true, "birth date differs by one digit"},
		"two digits of the year":      {change(func(p *Person) { p.Born = "1997-05-02" }), true, true, "two digits of the birth date are swapped"},
		"day and month swapped":       {change(func(p *Person) { p.Born = "1979-02-05" }), true, true, "day and month of birth are swapped"},
		"another day and month":       {change(func(p *Person) { p.Born = "1979-01-31" }), true, false, "same year of birth"},
		"another day, one letter":     {change(func(p *Person) { p.Born, p.Family = "1979-01-31", "Fjellgran" }), false, false, "same year of birth"},
		"another birth date":          {change(func(p *Person) { p.Born = "1991-11-30" }), false, false, "birth date differs"},
		"the birth date alone":        {change(func(p *Person) { p.Given, p.Family = "Ulrika", "Brovik" }), false, false, "family name differs; given name differs"},
		"of the other sex":            {change(func(p *Person) { p.Sex = "male" }), true, true, "sex differs"},
		"the number with other breaks": {change(func(p *Person) {
			*p = Person{Given: "Ulrika", Family: "Brovik", Born: "1979-05-02", System: "urn:oid:1", Identifier: "12345x"}
		}), true, true, "same identifier, written in another way"},
		"the number alone": {change(func(p *Person) {
			*p = Person{Given: "Ulrika", Family: "Brovik", Born: "1991-11-30", System: "urn:oid:2", Identifier: "12345x"}
		}), false, false, "same number in another numbering system"},
		"the same number": {ottilie, true, true, "same identifier"},
	} {
		t.Run(name, func(t *testing.T) {
			got := Compare(ottilie, c.other)
			var words []string
			for _, r := range got.Reasons {
				words = append(words, r.Text)
			}
			if said := strings.Join(words, "; "); got.IsPossible() != c.possible || got.IsLikely() != c.likely || !strings.Contains(said, c.says) {
				t.Errorf("%d bits: %s", got.Score, said)
			}
			if back := Compare(c.other, ottilie); back.Score != got.Score {
				t.Errorf("the other way round: %d and not %d bits", back.Score, got.Score)
			}
		})
	}
}

var (
	someNames = []string{"Anna", "Ana", "Anne Marie", "Marie-Anne", "Fjällgren", "Fjellgren", "von der Holm", "Holm", "Bo", "Li", "Ng", "Østby"}
	someName  = rapid.SampledFrom(someNames)
	dates     = rapid.Custom(func(t *rapid.T) string {
		return fmt.Sprintf("%04d-%02d-%02d", rapid.IntRange(1940, 2005).Draw(t, "year"), rapid.IntRange(1, 12).Draw(t, "month"), rapid.IntRange(1, 28).Draw(t, "day"))
	})
	people = rapid.Custom(func(t *rapid.T) Person {
		return Person{Given: someName.Draw(t, "given"), Family: someName.Draw(t, "family"), Born: dates.Draw(t, "born"), Sex: rapid.SampledFrom([]string{"female", "male", "other"}).Draw(t, "sex")}
	})
)

// Whoever is outside of the block is never possible, so that the block hides nobody; and
// neither order nor the sum depends on who is asked about.
func TestBlocksHideNobody(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		a, b := people.Draw(t, "a"), people.Draw(t, "b")
		if rapid.Bool().Draw(t, "same names") {
			b.Given, b.Family, b.Sex = a.Given, a.Family, a.Sex
		}
		c := Compare(a, b)
		block, err := BlockOf(a.Born)
		if err != nil {
			t.Fatal(err)
		}
		if c.IsPossible() && !block.Has(b.Born) {
			t.Errorf("%v and %v: %d bits, outside of the block", a, b, c.Score)
		}
		if back := Compare(b, a); back.Score != c.Score {
			t.Errorf("%v and %v: %d and %d bits", a, b, c.Score, back.Score)
		}
		sum := 0
		for _, r := range c.Reasons {
			sum += r.Bits
		}
		if sum != c.Score {
			t.Errorf("%d bits, and the reasons add up to %d", c.Score, sum)
		}
	})
}

func TestBlockOf(t *testing.T) {
	if _, err := BlockOf("1979-13-02"); err == nil {
		t.Error("a day that is none has a block")
	}
	b, err := BlockOf("1979-05-02")
	if err != nil || !b.Has("1979-12-31") || !b.Has("1997-05-02") || b.Has("1978-05-03") {
		t.Errorf("%v, %v", b, err)
	}
}

func BenchmarkCompare(b *testing.B) {
	other := Person{Given: "Ottilia", Family: "Fjellgren", Born: "1979-02-05", Sex: "female", System: "urn:oid:1", Identifier: "12346"}
	for b.Loop() {
		Compare(ottilie, other)
	}
}
