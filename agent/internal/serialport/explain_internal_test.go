package serialport

import (
	"errors"
	"strings"
	"testing"

	"golang.org/x/sys/unix"
)

// Root cannot be refused, so the refusal is explained from the system's error alone.
func TestExplainPermission(t *testing.T) {
	err := explain("/dev/ttyUSB0", unix.EACCES)
	if !errors.Is(err, ErrPermission) || !strings.Contains(err.Error(), "/dev/ttyUSB0: add the user to the group") || !strings.Contains(err.Error(), "dialout") {
		t.Error(err)
	}
	if err := explain("/dev/ttyUSB0", unix.ENOMEM); !errors.Is(err, unix.ENOMEM) || !strings.Contains(err.Error(), "open port /dev/ttyUSB0") {
		t.Error(err)
	}
}
