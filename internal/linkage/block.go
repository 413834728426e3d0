package linkage

import (
	"fmt"
	"time"
)

// Block is the set of birth dates among which one person may stand, so that not everybody
// has to be compared: the whole year (a day or a month that was typed wrongly, or swapped),
// and the same day and month of other years. A birth date that differs in more is worth -6
// bits, which the names can't make up for: nobody outside of the block is possible but by
// an identifier (a test holds this).
type Block struct {
	// From and To are the first and the last day of the year.
	From, To string
	// Days are the same day and month in other years.
	Days []string
}

// BlockOf returns the block of a birth date, YYYY-MM-DD.
func BlockOf(born string) (Block, error) {
	t, err := time.Parse(time.DateOnly, born)
	if err != nil {
		return Block{}, fmt.Errorf("birth date: not a day, accepted: YYYY-MM-DD")
	}
	b := Block{From: fmt.Sprintf("%04d-01-01", t.Year()), To: fmt.Sprintf("%04d-12-31", t.Year())}
	// One digit of the year, or two of them swapped, lead no further than a century.
	for year := t.Year() - 100; year <= t.Year()+100; year++ {
		if year != t.Year() && year > 0 {
			b.Days = append(b.Days, fmt.Sprintf("%04d%s", year, born[4:]))
		}
	}
	return b, nil
}

// Has reports whether a birth date is in the block.
func (b Block) Has(born string) bool {
	if b.From <= born && born <= b.To {
		return true
	}
	for _, day := range b.Days {
		if day == born {
			return true
		}
	}
	return false
}
