package web

// arrangement is into how many columns the tiles of the wall are laid, by the
// shape of the screen. The rows follow from the number of tiles.
type arrangement struct {
	Wide, Square, Tall int
}

// The room that tiles have on a screen, width to height: that of a television
// below the line at its top, and so on. Style sheets tell the shapes apart at 5
// to 4 and 4 to 5.
const (
	wideRoom   = 16.0 / 8.2
	squareRoom = 1.0 / 0.93
	tallRoom   = 9.0 / 15.0
)

// A tile is so many letters wide and high, by the height of its letters: what
// it says fits there.
const (
	roomyWidth, roomyHeight = 15.4, 11.3
	denseWidth, denseHeight = 11.6, 8.9
)

// manyTiles is from how many on each shows less.
const manyTiles = 13

// arrange lays out n tiles so that their letters become as large as they can.
func arrange(n int) arrangement {
	width, height := roomyWidth, roomyHeight
	if n >= manyTiles {
		width, height = denseWidth, denseHeight
	}
	return arrangement{
		Wide:   columns(n, wideRoom*height/width),
		Square: columns(n, squareRoom*height/width),
		Tall:   columns(n, tallRoom*height/width),
	}
}

// columns is for how many of them n tiles are largest, on a screen so many times
// as wide, in tiles, as it is high. Of two that are equal the one with fewer
// places left empty wins.
func columns(n int, room float64) int {
	best, size, empty := 1, 0.0, 0
	for c := 1; c <= max(n, 1); c++ {
		rows := (n + c - 1) / c
		s, e := min(room/float64(c), 1/float64(max(rows, 1))), c*rows-n
		if s > size || s == size && e < empty {
			best, size, empty = c, s, e
		}
	}
	return best
}
