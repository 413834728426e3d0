// Package linkage tells whether two people on record may be one: it compares names,
// birth dates and identifiers that were typed by hand, and says why.
//
// The method is the one of Fellegi and Sunter (A theory for record linkage, Journal of
// the American Statistical Association 1969;64:1183-1210): each field adds the logarithm,
// to the base of two, of how much more often it agrees so for one person than for two by
// chance. Names that nearly agree get a part of it, by their similarity of Jaro and
// Winkler (Winkler WE. String comparator metrics and enhanced decision rules in the
// Fellegi-Sunter model of record linkage. Proceedings of the Section on Survey Research
// Methods, American Statistical Association 1990:354-359). The weights are ours, rounded
// to whole bits and written beside each: no programme has counted its own yet.
package linkage

import (
	"strings"
	"unicode"

	"github.com/hbollon/go-edlib"
	"golang.org/x/text/cases"
	"golang.org/x/text/runes"
	"golang.org/x/text/transform"
	"golang.org/x/text/unicode/norm"
)

// Person is what is compared of somebody.
type Person struct {
	Given, Family string
	// Born is the birth date as YYYY-MM-DD.
	Born string
	// Sex is female, male, other or unknown.
	Sex string
	// System and Identifier are the hospital's number.
	System, Identifier string
}

// Reason is one thing that speaks for one person or for two.
type Reason struct {
	// Text is in plain words and names no value.
	Text string
	// Bits is what it adds; it is negative for what speaks for two people.
	Bits int
}

// Comparison is what two people have in common.
type Comparison struct {
	// Score is the sum of the reasons, in bits.
	Score   int
	Reasons []Reason
}

// Possible is the score from which a person has to look. Among 10,000 people chance
// favours two people over one by 13 bits (2^13.3); from there on the two are even.
const Possible = 13

// Likely is the score from which one person is far likelier than two: 32 to 1.
const Likely = Possible + 5

// IsPossible reports whether a person has to look.
func (c Comparison) IsPossible() bool { return c.Score >= Possible }

// IsLikely reports whether one person is far likelier than two.
func (c Comparison) IsLikely() bool { return c.Score >= Likely }

func (c *Comparison) add(bits int, text string) {
	c.Score += bits
	c.Reasons = append(c.Reasons, Reason{Text: text, Bits: bits})
}

// Compare holds one person against another. Compare(a, b) and Compare(b, a) have the
// same score.
func Compare(a, b Person) Comparison {
	var c Comparison
	c.identifiers(a, b)
	c.births(a.Born, b.Born)
	c.names(namesOf(a), namesOf(b))
	c.sexes(a.Sex, b.Sex)
	return c
}

// An identifier belongs to one person: it decides by itself. The same number under
// another system, or written in another way, may be chance among short numbers.
func (c *Comparison) identifiers(a, b Person) {
	x, y := plainNumber(a.Identifier), plainNumber(b.Identifier)
	switch {
	case x == "" || y == "":
	case a.Identifier == b.Identifier && a.System == b.System:
		c.add(24, "same identifier")
	case x == y && a.System == b.System:
		c.add(20, "same identifier, written in another way")
	case x == y:
		c.add(10, "same number in another numbering system")
	}
}

// Of people whose ages spread over fifty years, two share a birth date once in 18,000
// (14 bits), day and month once in 365 (8.5), the year once in 50 (5.6), the month once
// in 12 (3.6), the day once in 30 (5). A mistake costs what it is rarer than no mistake:
// one slip in some sixteen dates.
func (c *Comparison) births(a, b string) {
	x, y := strings.Split(a, "-"), strings.Split(b, "-")
	if len(x) != 3 || len(y) != 3 {
		return
	}
	year, month, day := x[0] == y[0], x[1] == y[1], x[2] == y[2]
	switch {
	case year && month && day:
		c.add(14, "same birth date")
	case year && x[1] == y[2] && x[2] == y[1]:
		c.add(10, "day and month of birth are swapped")
	case digits(a, b) == 1:
		c.add(9, "birth date differs by one digit")
	case edlib.OSADamerauLevenshteinDistance(a, b) == 1:
		c.add(9, "two digits of the birth date are swapped")
	case year && month:
		c.add(6, "same year and month of birth")
	case year && day:
		c.add(7, "same year and day of birth")
	case month && day:
		c.add(5, "same day and month of birth, another year")
	case year:
		c.add(2, "same year of birth")
	default:
		c.add(-6, "birth date differs")
	}
}

func digits(a, b string) int {
	if len(a) != len(b) {
		return len(a) + len(b)
	}
	n := 0
	for i := range len(a) {
		if a[i] != b[i] {
			n++
		}
	}
	return n
}

// names are the given and family names as they are compared.
type names struct{ given, family string }

func namesOf(p Person) names { return names{given: Fold(p.Given), family: Fold(p.Family)} }

// A family name is shared by one in some hundred people (7 bits), a given name by one in
// some sixty of the same sex (5 bits). Family names change and are left out in part, given
// names less, and so a disagreement of them says more.
func (c *Comparison) names(a, b names) {
	straight := []Reason{name("family name", a.family, b.family, familyBits), name("given name", a.given, b.given, givenBits)}
	swapped := []Reason{name("family name", a.family, b.given, familyBits), name("family name", a.given, b.family, familyBits)}
	if swapped[0].Bits >= 5 && swapped[1].Bits >= 5 && swapped[0].Bits+swapped[1].Bits > straight[0].Bits+straight[1].Bits {
		// Twelve bits for both names as they are, less one for the mistake.
		if bits := min(swapped[0].Bits+swapped[1].Bits-3, 11); bits > 0 {
			c.add(bits, "given and family name are swapped")
			return
		}
	}
	for _, r := range straight {
		c.add(r.Bits, r.Text)
	}
}

// familyBits and givenBits are how much a name speaks for the same person, by how near
// it is.
var (
	familyBits = [...]int{apart: -3, near: 3, part: 5, slip: 5, same: 7}
	givenBits  = [...]int{apart: -4, near: 2, part: 4, slip: 4, same: 5}
)

// name compares two names of one kind.
func name(kind, a, b string, bits [same + 1]int) Reason {
	how, degree := similar(a, b)
	switch degree {
	case same:
		return Reason{"same " + kind, bits[same]}
	case apart:
		return Reason{kind + " differs", bits[apart]}
	default:
		return Reason{kind + " " + how, bits[degree]}
	}
}

// nearness is how near two names are.
type nearness int

const (
	apart nearness = iota
	near
	part
	slip
	same
)

// alike is the similarity of Jaro and Winkler from which names are called similar. 0.9
// keeps both examples of slips in Winkler's table and parts most different names.
const alike = 0.9

// similar says how two folded names agree.
func similar(a, b string) (string, nearness) {
	x, y := strings.ReplaceAll(a, " ", ""), strings.ReplaceAll(b, " ", "")
	if x == "" || y == "" {
		return "differs", apart
	}
	if x == y {
		return "", same
	}
	if shorter := min(len(x), len(y)); shorter >= 3 {
		switch {
		case edlib.OSADamerauLevenshteinDistance(x, y) > 1:
		case edlib.LevenshteinDistance(x, y) > 1:
			return "has two letters swapped", slip
		default:
			return "differs by one letter", slip
		}
	}
	if sharesPart(a, b) {
		return "agrees in one part", part
	}
	if edlib.JaroWinklerSimilarity(x, y) >= alike {
		return "is similar", near
	}
	return "differs", apart
}

// sharesPart reports whether one name has several parts, such as a double name, and one
// of three letters or more, which "de" and "van" are not, is a part of the other. "Von"
// and "der" are names of nobody.
func sharesPart(a, b string) bool {
	x, y := strings.Fields(a), strings.Fields(b)
	if len(x) < 2 && len(y) < 2 {
		return false
	}
	for _, p := range x {
		if len(p) < 3 || particles[p] {
			continue
		}
		for _, q := range y {
			if p == q {
				return true
			}
		}
	}
	return false
}

// particles are parts of names that tell nobody from anybody.
var particles = map[string]bool{"van": true, "von": true, "der": true, "den": true, "del": true, "los": true, "las": true, "dos": true, "bin": true, "bint": true, "ibn": true}

// sexes: half of all people agree by chance (1 bit). A change or a slip is rare.
func (c *Comparison) sexes(a, b string) {
	known := func(sex string) bool { return sex == "female" || sex == "male" }
	switch {
	case !known(a) || !known(b):
	case a == b:
		c.add(1, "same sex")
	default:
		c.add(-4, "sex differs")
	}
}

// letters are those that stay one letter when accents are taken off (Unicode has no
// decomposition for them).
var letters = strings.NewReplacer("ø", "o", "ł", "l", "đ", "d", "ð", "d", "þ", "th", "æ", "ae", "œ", "oe", "ı", "i", "ħ", "h", "ŧ", "t")

// Fold writes a name as it is compared: without case, accents and punctuation, its parts
// divided by one space.
func Fold(name string) string {
	text, _, err := transform.String(transform.Chain(norm.NFKD, runes.Remove(runes.In(unicode.Mn)), norm.NFC, cases.Fold()), name)
	if err != nil {
		text = strings.ToLower(name)
	}
	var b strings.Builder
	for _, r := range letters.Replace(text) {
		switch {
		case unicode.IsLetter(r) || unicode.IsDigit(r):
			b.WriteRune(r)
		case r == '\'' || r == '’' || r == '`' || r == 'ʼ' || r == '.':
		default:
			b.WriteByte(' ')
		}
	}
	return strings.Join(strings.Fields(b.String()), " ")
}

// plainNumber is an identifier without what people put between its digits. Leading
// zeros are kept: they tell numbers apart in some systems.
func plainNumber(id string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToUpper(r)
		}
		return -1
	}, id)
}
