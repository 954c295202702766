// Package slate keeps readings that have no position in the journal yet over the end of the process, for a killed agent to
// take up again at its next start.
//
// A journal's batch holds one pot's readings of half a second, for batches of one reading would cost twice the room and have
// several pots' positions interleave. Meanwhile they stand here: two files beside the journal's segments, written in turn
// from their beginning with all that waits, so that the whole one that was written last is always there. Nothing is ever
// synced, so that the card sees a page or two when the system writes back what is old, about every half minute.
//
// What that can hold is a process that ends while the machine goes on, no more: after a cut of the power a slate may be older
// than the journal and the messages sent since, and would double readings. So each carries the machine's start (Linux gives
// each a random id), and one of another start, or of another journal, holds nothing.
//
//	check   4 bytes  CRC-32C (RFC 3720, appendix B.4) of what follows, begun with that of the start's and the journal's ids
//	length  4 bytes  of the batches
//	count   8 bytes  of slates written, to tell the last
//	floor   8 bytes  the readings have no position before it: a batch of theirs would stand from there on
//	batches          frames of package frame, positions 0
//
// Numbers are little-endian.
package slate

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"io/fs"
	"log/slog"
	"os"
	"strings"

	"gritwatch/agent/internal/journal"
	"gritwatch/agent/internal/journal/frame"
)

// names are the two files.
var names = [2]string{"slate.0", "slate.1"}

const (
	header  = 24
	maxSize = 64 << 20 // of a slate; any longer length is no slate's
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// Boot is the id of the machine's start. The error says that this system has none.
func Boot() (string, error) {
	b, err := os.ReadFile("/proc/sys/kernel/random/boot_id")
	if err != nil {
		return "", fmt.Errorf("no id of the machine's start: %w", err)
	}
	return strings.TrimSpace(string(b)), nil
}

// A Slate is not safe for concurrent use.
type Slate struct {
	salt   uint32
	files  [2]journal.File
	count  uint64
	room   []byte
	failed bool
	log    *slog.Logger
}

// A Found is what stands on a slate.
type Found struct {
	Floor   uint64
	Batches []journal.Batch
}

// Open takes up the slate in a folder which the caller's journal has locked, and gives what stands on it.
func Open(folder journal.Folder, boot, journalID string, log *slog.Logger) (*Slate, Found, error) {
	s := &Slate{salt: crc32.Checksum([]byte(boot+"/"+journalID), castagnoli), log: log}
	var found Found
	for i, name := range names {
		f, err := folder.Open(name)
		if errors.Is(err, fs.ErrNotExist) {
			f, err = folder.Create(name)
		}
		if err != nil {
			return nil, Found{}, errors.Join(err, s.Close())
		}
		s.files[i] = f
		if count, at, ok := s.read(f); ok && count >= s.count {
			s.count, found = count, at
		}
	}
	return s, found, nil
}

// read is what one of the files holds; false where that is no whole slate of this start and journal.
func (s *Slate) read(f io.ReaderAt) (count uint64, out Found, ok bool) {
	var head [header]byte
	if _, err := f.ReadAt(head[:], 0); err != nil {
		return 0, Found{}, false
	}
	size := binary.LittleEndian.Uint32(head[4:])
	if size > maxSize {
		return 0, Found{}, false
	}
	body := make([]byte, size)
	if _, err := io.ReadFull(io.NewSectionReader(f, header, int64(size)), body); err != nil {
		return 0, Found{}, false
	}
	if crc32.Update(crc32.Update(s.salt, castagnoli, head[4:]), castagnoli, body) != binary.LittleEndian.Uint32(head[:]) {
		return 0, Found{}, false
	}
	out.Floor = binary.LittleEndian.Uint64(head[16:])
	for len(body) > 0 {
		fr, ok := frame.At(body, frame.Salt(s.salt))
		var b journal.Batch
		if !ok || b.Decode(fr.Body) != nil {
			return 0, Found{}, false
		}
		out.Batches = append(out.Batches, b)
		body = body[fr.Size:]
	}
	return binary.LittleEndian.Uint64(head[8:]), out, true
}

// Write puts batches in the place of all that stood here; their positions count for nothing. A batch that does not fit is left
// out. Failures are told once: what the agent reads is then safe at its next flush only.
func (s *Slate) Write(floor uint64, batches []journal.Batch) {
	s.count++
	s.room = append(s.room[:0], make([]byte, header)...)
	for _, b := range batches {
		b.First = 0
		if b.Fits() {
			s.room = frame.AppendBatch(s.room, frame.Salt(s.salt), b)
		}
	}
	binary.LittleEndian.PutUint32(s.room[4:], uint32(len(s.room)-header))
	binary.LittleEndian.PutUint64(s.room[8:], s.count)
	binary.LittleEndian.PutUint64(s.room[16:], floor)
	binary.LittleEndian.PutUint32(s.room, crc32.Update(s.salt, castagnoli, s.room[4:]))
	_, err := s.files[s.count%2].WriteAt(s.room, 0)
	if err != nil && !s.failed {
		s.log.LogAttrs(context.Background(), slog.LevelWarn, "the slate beside the journal cannot be written: if the agent is killed, the readings since the last flush are lost",
			slog.Any("reason", err))
	}
	s.failed = err != nil
}

// Close closes the files.
func (s *Slate) Close() error {
	var errs error
	for _, f := range s.files {
		if f != nil {
			errs = errors.Join(errs, f.Close())
		}
	}
	return errs
}

// TakeUp appends to the journal what stood on its slate and is not in it, and has it written. The journal's Run must be going.
// n readings were taken up; those for which an error came are lost.
func TakeUp(ctx context.Context, j *journal.Journal, found Found) (n int, err error) {
	if len(found.Batches) == 0 {
		return 0, nil
	}
	if st := j.Status(); found.Floor < st.Oldest {
		return 0, fmt.Errorf("the slate is of the time before position %d, and the journal begins at %d", found.Floor, st.Oldest)
	}
	type key struct {
		pot   string
		epoch uint64
		at    int64
		point uint8
	}
	keyOf := func(b journal.Batch, i int) key {
		return key{b.Pot, b.Epoch, int64(b.Samples[i].At), uint8(b.Samples[i].Point)}
	}
	known := map[key]bool{}
	for b, err := range j.Read(found.Floor, j.Status().Next) {
		if err != nil {
			return 0, fmt.Errorf("what of the slate is in the journal cannot be told: %w", err)
		}
		for i := range b.Samples {
			known[keyOf(b, i)] = true
		}
	}
	for _, b := range found.Batches {
		rest := b.Samples[:0:0]
		for i, x := range b.Samples {
			if !known[keyOf(b, i)] {
				rest = append(rest, x)
			}
		}
		if len(rest) == 0 {
			continue
		}
		_, ok := j.Append(b.Pot, b.Epoch, rest)
		if !ok { // until positions are reserved
			if err := j.Sync(ctx); err != nil {
				return n, err
			}
			_, ok = j.Append(b.Pot, b.Epoch, rest)
		}
		if !ok {
			return n, errors.New("the journal refuses what stood on its slate")
		}
		n += len(rest)
	}
	return n, j.Write(ctx)
}
