package records

import (
	"crypto/rand"
	"crypto/sha256"
	"fmt"
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

// SameID is a ULID of that instant that is the same for the same words, so that what is seen twice is stored once.
func SameID(at si.Instant, what string) string {
	var id ulid.ULID
	if err := id.SetTime(uint64(max(0, at)) / 1000); err != nil {
		panic("records: no id: " + err.Error()) // an instant after the year 10889
	}
	sum := sha256.Sum256(fmt.Appendf(nil, "%d %s", at, what))
	if err := id.SetEntropy(sum[:10]); err != nil {
		panic("records: no id: " + err.Error()) // of another length than ten bytes
	}
	return id.String()
}

func isID(s string) bool {
	_, err := ulid.ParseStrict(s)
	return err == nil
}
