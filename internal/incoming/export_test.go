package incoming

import (
	"candidacy/internal/reading"
	"candidacy/internal/record"
)

// SameName compares two family names.
func SameName(a, b string) bool {
	return sameName(reading.Person{Family: a}, record.Identity{Family: b})
}
