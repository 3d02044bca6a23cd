package enroll

import (
	"context"
	"errors"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"benchvigil/internal/bench"
	"benchvigil/internal/usb"
	"benchvigil/internal/usb/usbtest"
)

func device(product uint16, devnum int) usbtest.Device {
	return usbtest.Device{ID: bench.USBID{Vendor: 0x1209, Product: product}, Devnum: devnum}
}

// at does things at their time since the start.
type at struct {
	after time.Duration
	do    func(t *usbtest.Tree)
}

func TestFollow(t *testing.T) {
	plug := func(port string, d usbtest.Device) func(*usbtest.Tree) {
		return func(t *usbtest.Tree) { t.Plug(port, d) }
	}
	unplug := func(port string) func(*usbtest.Tree) { return func(t *usbtest.Tree) { t.Unplug(port) } }
	for _, tc := range []struct {
		name       string
		story      []at
		came, left []string
		within     time.Duration
		told       int // that something was unplugged
	}{
		{"unplugged and plugged in", []at{{time.Second, unplug("1-2")}, {3 * time.Second, plug("1-2", device(4, 9))}}, []string{"1-2"}, nil, 5 * time.Second, 1},
		{"plugged in", []at{{time.Second, plug("1-7", device(4, 9))}}, []string{"1-7"}, nil, 3 * time.Second, 0},
		{"so quickly that no look saw it gone", []at{{time.Second, plug("1-2", device(4, 9))}}, []string{"1-2"}, nil, 3 * time.Second, 0},
		{
			"comes, goes and comes as it starts",
			[]at{{time.Second, plug("1-7", device(1, 9))}, {2 * time.Second, unplug("1-7")}, {4 * time.Second, plug("1-7", device(2, 10))}},
			[]string{"1-7"},
			nil, 6 * time.Second, 0,
		},
		{
			"into another port",
			[]at{{time.Second, unplug("1-2")}, {2 * time.Second, plug("1-5", device(4, 9))}},
			[]string{"1-5"},
			[]string{"1-2"},
			4 * time.Second, 1,
		},
		{
			"a hub with two behind it", []at{
				{time.Second, func(t *usbtest.Tree) {
					t.Plug("1-6", device(0xff, 9))
					t.Set(usbtest.Attribute("1-6", "bDeviceClass"), "09\n")
				}},
				{1500 * time.Millisecond, plug("1-6.1", device(4, 10))},
				{2500 * time.Millisecond, plug("1-6.2", device(4, 11))},
			}, []string{"1-6.1", "1-6.2"}, nil, 5 * time.Second, 0,
		},
		{"only unplugged", []at{{time.Second, unplug("1-2")}}, nil, []string{"1-2"}, 61 * time.Second, 1},
		{"nothing", nil, nil, nil, 61 * time.Second, 0},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				tree := usbtest.NewTree()
				tree.Plug("1-2", device(4, 5))
				tree.Plug("1-3", device(4, 6))
				look := func() (map[string]usb.Seen, error) { return usb.Survey(tree) }
				before, err := look()
				if err != nil {
					t.Fatal(err)
				}
				for _, a := range tc.story {
					time.AfterFunc(a.after, func() { a.do(tree) })
				}
				began := time.Now()
				told := 0
				c, err := cable{look: look, patience: time.Minute, unplugged: func(string) { told++ }}.follow(t.Context(), before)
				if err != nil || !slices.Equal(c.came, tc.came) || !slices.Equal(c.left, tc.left) {
					t.Errorf("came %v, left %v, %v, want %v, %v", c.came, c.left, err, tc.came, tc.left)
				}
				if told != tc.told {
					t.Errorf("told %d times that something was unplugged, want %d", told, tc.told)
				}
				if took := time.Since(began); took > tc.within {
					t.Errorf("took %v, want at most %v", took, tc.within)
				}
			})
		})
	}
}

func TestFollowEnds(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		defer cancel()
		look := func() (map[string]usb.Seen, error) { return nil, nil }
		if _, err := (cable{look: look, patience: time.Hour}).follow(ctx, nil); !errors.Is(err, context.DeadlineExceeded) {
			t.Errorf("got %v, want the end of the context", err)
		}
		broken := errors.New("gone")
		look = func() (map[string]usb.Seen, error) { return nil, broken }
		if _, err := (cable{look: look, patience: time.Hour}).follow(t.Context(), nil); !errors.Is(err, broken) {
			t.Errorf("got %v, want what is wrong with the bus", err)
		}
	})
}

// What is typed during the wait is no answer to a later question: it names the
// port, or is passed over. With nobody there to answer, the wait ends at once.
func TestFollowWhileSomebodyTypes(t *testing.T) {
	for _, tc := range []struct {
		name    string
		typed   []string
		end     bool
		want    string
		strange []string
		err     error
	}{
		{"none", []string{"", None}, false, None, []string{""}, nil},
		{"a port", []string{"left", "1-3.4"}, false, "1-3.4", []string{"left"}, nil},
		{"only return", []string{"", ""}, false, "", []string{"", ""}, nil},
		{"the end", nil, true, "", nil, ErrNoAnswer},
	} {
		t.Run(tc.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				lines := make(chan string)
				var strange []string
				w := cable{
					look:     func() (map[string]usb.Seen, error) { return nil, nil },
					patience: time.Minute, typed: lines, strange: func(line string) { strange = append(strange, line) },
				}
				go func() {
					for _, l := range tc.typed {
						lines <- l
					}
					if tc.end {
						close(lines)
					}
				}()
				began := time.Now()
				c, err := w.follow(t.Context(), nil)
				if !errors.Is(err, tc.err) || c.typed != tc.want || !slices.Equal(strange, tc.strange) {
					t.Errorf("got %q, %v, passed over %q", c.typed, err, strange)
				}
				if took := time.Since(began); (tc.want != "" || tc.end) && took > time.Second {
					t.Errorf("took %v", took)
				}
			})
		})
	}
}
