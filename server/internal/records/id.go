package records

import (
	"crypto/rand"
	"sync"

	"github.com/oklog/ulid/v2"

	"gritwatch/protocol/si"
)

// ids makes what is random in ids; of one millisecond, each is greater than the one before.
var ids = struct {
	mu      sync.Mutex
	entropy *ulid.MonotonicEntropy
}{entropy: ulid.Monotonic(rand.Reader, 0)}

// NewID is a new ULID of that instant. Of one process, ids of one millisecond are in the order in which they were made.
func NewID(at si.Instant) string {
	ids.mu.Lock()
	defer ids.mu.Unlock()
	id, err := ulid.New(uint64(max(0, at))/1000, ids.entropy)
	if err != nil {
		// 2^80 ids of one millisecond, or an instant after the year 10889.
		panic("records: no id: " + err.Error())
	}
	return id.String()
}

func isID(s string) bool {
	_, err := ulid.ParseStrict(s)
	return err == nil
}
