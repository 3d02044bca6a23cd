package config

import (
	"fmt"
	"strings"
)

// hint says which of the known words may have been meant, or lists them all.
func hint(word string, known []string) string {
	if best := nearest(word, known); best != "" {
		return fmt.Sprintf("did you mean %q?", best)
	}
	return "known here are " + strings.Join(known, ", ")
}

// nearest is the known word that may have been meant, empty for none.
func nearest(word string, known []string) string {
	for _, k := range known {
		if plain(k) == plain(word) {
			return k
		}
	}
	best, at := "", maxWord
	for _, k := range known {
		// One slip in a short word, two in a long one.
		if d := distance(plain(word), plain(k)); d <= 1+len(k)/6 && d < at {
			best, at = k, d
		}
	}
	return best
}

// plain drops what people mix up in a word.
func plain(word string) string {
	return strings.NewReplacer("_", "", "-", "", " ", "").Replace(strings.ToLower(word))
}

// maxWord bounds the words that are compared: a longer one is no slip.
const maxWord = 64

// distance counts the letters to insert, drop, replace or swap with their
// neighbour to make b out of a (optimal string alignment).
func distance(a, b string) int {
	if len(a) > maxWord || len(b) > maxWord {
		return maxWord
	}
	d := make([][]int, len(a)+1)
	for i := range d {
		d[i] = make([]int, len(b)+1)
		d[i][0] = i
	}
	for j := range d[0] {
		d[0][j] = j
	}
	for i := 1; i <= len(a); i++ {
		for j := 1; j <= len(b); j++ {
			cost := 1
			if a[i-1] == b[j-1] {
				cost = 0
			}
			d[i][j] = min(d[i-1][j]+1, d[i][j-1]+1, d[i-1][j-1]+cost)
			if i > 1 && j > 1 && a[i-1] == b[j-2] && a[i-2] == b[j-1] {
				d[i][j] = min(d[i][j], d[i-2][j-2]+1)
			}
		}
	}
	return d[len(a)][len(b)]
}
