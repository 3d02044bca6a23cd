package supply_test

import (
	"errors"
	"io/fs"
	"testing"
	"time"

	"benchvigil/internal/supply"
)

// The driver's calls themselves need a device: the virtual machine has one.
func TestUSBTMCDeviceThatIsNone(t *testing.T) {
	_, err := supply.Ask(t.Context(), "usbtmc:///dev/usbtmc-none", "*IDN?", time.Second)
	if ask := (*supply.AskError)(nil); !errors.As(err, &ask) || ask.Kind != supply.Unreachable || !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("Ask = %v, want unreachable: it does not exist", err)
	}
}
