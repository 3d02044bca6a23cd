package life_test

import (
	"fmt"
	"time"

	"benchvigil/internal/alert/life"
	"benchvigil/internal/bench"
)

func ExampleBook() {
	book := life.New()
	nine := time.Date(2026, 3, 9, 21, 0, 0, 0, time.UTC)
	say := func(events []bench.Event) {
		for _, e := range events {
			fmt.Println(e.Time.Format(time.TimeOnly), e.Type, "→", e.Data.Alert.State)
		}
	}

	stall := bench.Alert{Station: "left", Kind: bench.AlertStalled, Severity: bench.Danger, Since: nine}
	say(book.Raise(stall, nine))
	shelved, err := book.Act(bench.AlertAct{Do: bench.DeedShelve, Key: "left.stalled", By: "Anna"}, nine.Add(time.Minute))
	if err != nil {
		fmt.Println(err)
	}
	say(shelved)
	say(book.Hold("left", nine.Add(30*time.Minute), nine.Add(2*time.Minute))) // it is shelved
	say(book.Tick(nine.Add(20 * time.Minute)))
	say(book.Tick(nine.Add(30 * time.Minute)))
	_, err = book.Act(bench.AlertAct{Do: bench.DeedUnshelve, Key: "left.stalled"}, nine.Add(time.Hour))
	fmt.Println(err)
	say(book.Return(stall.Point(), nine.Add(time.Hour), "it moves again"))
	// Output:
	// 21:00:00 benchvigil.alert.raised → unacknowledged
	// 21:01:00 benchvigil.alert.shelved → shelved
	// 21:20:00 benchvigil.alert.unshelved → suppressed by design
	// 21:30:00 benchvigil.alert.released → unacknowledged
	// refused: unshelve left.stalled: it is not shelved (since 2026-03-09 21:30:00, by Anna)
	// 22:00:00 benchvigil.alert.returned → returned to normal
}
