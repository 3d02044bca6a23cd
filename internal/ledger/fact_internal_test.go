package ledger

import (
	"testing"

	"benchvigil/internal/bench"
)

func FuzzDecodeFact(f *testing.F) {
	for _, fact := range []bench.Fact{
		bench.USB{Change: bench.USBAdd, Port: "1-2", ID: bench.USBID{Vendor: 0x1209, Product: 1}, Serial: "X", Number: 7},
		bench.Mark{Kind: bench.MarkNote, Text: "words"},
		bench.Supply{Change: bench.Lost, Error: "e"},
		bench.USBSource{Change: bench.Back},
		bench.Clock{Jump: 5, End: true},
		bench.Clock{Gap: 5, Rebooted: true},
	} {
		kind, data, err := encodeFact(fact)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(kind, data)
	}
	f.Add("other", []byte("{}"))
	f.Fuzz(func(t *testing.T, kind string, data []byte) {
		fact, err := decodeFact(kind, data)
		if err != nil {
			return
		}
		again, packed, err := encodeFact(fact)
		if err != nil || again != kind {
			t.Fatal(again, err)
		}
		back, err := decodeFact(again, packed)
		if err != nil || back != fact {
			t.Fatalf("%#v comes back as %#v, %v", fact, back, err)
		}
	})
}
