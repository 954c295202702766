package journal

import (
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"syscall"

	"gritwatch/agent/internal/journal/frame"
)

// attempt does the disk work, unless a fault is too young to try again. It tells of the beginning and the end of faults.
// There is one sync at a time: each takes from the buffer what it has made safe. Who only writes waits for none, so where the
// end of a fault is being tried already, it is told of the fault.
func (j *Journal) attempt(sync bool) error {
	if sync {
		j.syncing <- struct{}{}
		defer func() { <-j.syncing }()
	}
	j.disk <- struct{}{}
	defer func() { <-j.disk }()
	now := j.o.Mono()
	tried := false
	if j.retries > 0 && !sync {
		select {
		case j.syncing <- struct{}{}:
			defer func() { <-j.syncing }()
		default:
			tried = true
		}
	}
	if j.retries > 0 && (tried || now < j.retryAt) {
		j.mu.Lock()
		defer j.mu.Unlock()
		return j.fault
	}
	err := j.work(sync || j.retries > 0)
	if err == nil {
		if j.retries > 0 {
			j.mended()
		}
		return nil
	}
	j.abandon()
	if errors.Is(err, syscall.ENOSPC) {
		j.makeRoom()
	}
	j.mu.Lock()
	j.fault = err
	refused := j.refused
	j.mu.Unlock()
	wait := maxRetry
	if j.retries < 16 {
		wait = min(maxRetry, j.o.Retry<<j.retries)
	}
	j.retryAt = now + wait
	j.retries++
	if j.retries == 1 {
		j.refusals = refused
		j.log(slog.LevelError, "the disk cannot be written; readings go out, and soon without positions: make room, or replace the card", slog.Any("reason", err))
		if j.o.Events.Fault != nil {
			j.o.Events.Fault(err)
		}
	}
	return err
}

func (j *Journal) mended() {
	j.retries = 0
	j.mu.Lock()
	j.fault = nil
	refused := j.refused - j.refusals
	j.mu.Unlock()
	j.log(slog.LevelWarn, "the disk can be written again", slog.Uint64("readings_without_position", refused))
	if j.o.Events.Mended != nil {
		j.o.Events.Mended(refused)
	}
}

// work writes what waits; with sync it also makes it safe, and keeps the journal within its bounds.
func (j *Journal) work(sync bool) error {
	j.mu.Lock()
	idle := j.next == j.synced && j.retries == 0 && j.limit-j.next >= minReserve/2
	if j.ended {
		idle = j.next == j.synced && j.limit == j.next && j.news == j.told
	}
	j.mu.Unlock()
	if idle {
		return nil
	}
	if j.file == nil {
		if err := j.create(); err != nil {
			return err
		}
		j.mu.Lock()
		done := j.next == j.synced && !j.ended // the head says it all
		j.mu.Unlock()
		if done {
			j.trim()
			return nil
		}
	}
	if err := j.write(); err != nil {
		return err
	}
	j.trim()
	if !sync {
		return nil
	}
	if err := j.sync(); err != nil {
		return err
	}
	for j.aged() {
		j.drop("its age")
	}
	_ = j.remove() // is tried again, and counts as long as it is there
	return nil
}

// write puts into the file what was appended since the last time, in one go.
func (j *Journal) write() error {
	j.mu.Lock()
	part := j.buf[j.written:] // Append only adds behind it
	upTo := j.next
	j.mu.Unlock()
	if len(part) == 0 {
		return nil
	}
	if _, err := j.file.WriteAt(part, j.offset); err != nil {
		return err
	}
	j.offset += int64(len(part))
	j.written += len(part)
	j.upTo = upTo
	return nil
}

// mark is how the journal stands, for the file that is being written; with mu held.
func (j *Journal) mark(next, limit uint64) frame.Mark {
	return frame.Mark{ID: j.id, Segment: j.number, Next: next, Limit: limit, Oldest: j.oldest, Lost: j.lost, Acknowledged: j.acked,
		Running: j.running(), Holes: j.named()}
}

// sync makes safe what is in the file, and with the same write reserves positions for what is to come. More may be
// written meanwhile, unless this is the last sync of the segment.
func (j *Journal) sync() error {
	j.mu.Lock()
	reserve := max(minReserve, reserveTimes*(j.upTo-j.synced))
	limit := max(j.limit, j.upTo+reserve)
	if j.ended {
		limit = j.next // nothing is to come: the next start leaves no hole
	}
	m, kind, news := j.mark(j.upTo, limit), frame.KindMark, j.news
	if news != j.told {
		kind = frame.KindHead
	}
	j.mu.Unlock()
	j.scratch = frame.AppendMark(j.scratch[:0], kind, &m)
	if _, err := j.file.WriteAt(j.scratch, j.offset); err != nil {
		return err
	}
	j.offset += int64(len(j.scratch))
	file, size, written := j.file, j.offset, j.written
	j.mu.Lock()
	s := &j.segments[len(j.segments)-1]
	full := size >= j.part() || m.Next > s.base && m.Running-j.began >= j.o.MaxAge/ages
	j.mu.Unlock()
	if !full {
		<-j.disk
	}
	err := file.Sync()
	if !full {
		j.disk <- struct{}{}
	}
	if j.file != file { // a write failed meanwhile, and with it this sync
		j.mu.Lock()
		defer j.mu.Unlock()
		return j.fault
	}
	if err != nil {
		return err
	}

	j.mu.Lock()
	j.buf = j.buf[:copy(j.buf, j.buf[written:])]
	j.written -= written
	j.synced, j.limit, j.reserve, j.told = m.Next, limit, reserve, news
	s = &j.segments[len(j.segments)-1]
	s.end, s.size, s.ran = j.synced, size, m.Running
	j.mu.Unlock()
	if full {
		err := j.file.Close() // all of it is safe
		j.file = nil
		if err != nil {
			j.log(slog.LevelWarn, "closing a full segment", slog.Any("reason", err))
		}
	}
	return nil
}

// part is how long a segment may get.
func (j *Journal) part() int64 { return min(maxSegment, j.o.MaxBytes/parts) }

// create starts another segment. Its head is safe before anything follows it.
func (j *Journal) create() error {
	for len(j.segments) > 1 && j.bytes()+j.part()+int64(j.o.Buffer) > j.o.MaxBytes {
		j.drop("the room it may take")
	}
	if err := j.remove(); err != nil && j.bytes()+j.part()+int64(j.o.Buffer) > j.o.MaxBytes {
		return fmt.Errorf("a segment cannot be removed: %w", err)
	}
	j.number++
	j.mu.Lock()
	// What waits is already within the limit, which stands in an older segment too.
	m := j.mark(j.synced, max(j.limit, j.synced+minReserve))
	news := j.news
	j.mu.Unlock()
	s := segment{number: j.number, base: m.Next, end: m.Next, ran: m.Running}
	f, err := j.o.Folder.Create(s.name())
	if err != nil {
		return err
	}
	head := frame.AppendMark(nil, frame.KindHead, &m)
	s.size = int64(len(head))
	_, err = f.WriteAt(head, 0)
	if err == nil {
		err = f.Sync()
	}
	if err == nil {
		err = j.o.Folder.Sync()
	}
	if err != nil {
		return errors.Join(err, f.Close(), ignoreMissing(j.o.Folder.Remove(s.name())))
	}
	j.file, j.offset, j.written, j.upTo, j.began = f, s.size, 0, m.Next, m.Running
	j.mu.Lock()
	j.limit, j.told = m.Limit, news
	kept := j.segments[:0:0]
	for _, old := range j.segments {
		if old.empty || old.base == old.end {
			j.doomed = append(j.doomed, old) // it holds no record, and its marks are now old
		} else {
			kept = append(kept, old)
		}
	}
	j.segments = append(kept, s)
	j.mu.Unlock()
	return nil
}

// trim cuts from segments what is no whole frame, or stands in a newer one too, and makes safe what is left. Only now that the newer one is written, so
// that a start that fails, or comes after the process was killed, finds it again.
func (j *Journal) trim() {
	for _, s := range j.trims {
		f, err := j.o.Folder.Open(s.name())
		if err != nil {
			continue // it may be gone, or be read well enough as it is
		}
		if err = f.Truncate(s.size); err == nil {
			err = f.Sync()
		}
		if err = errors.Join(err, f.Close()); err != nil {
			j.log(slog.LevelWarn, "the torn end of a segment stays", slog.String("file", s.name()), slog.Any("reason", err))
		}
	}
	j.doomed = append(j.doomed, j.useless...)
	j.trims, j.useless = nil, nil
}

// abandon leaves the file as it was when it was last safe. After a sync that failed nobody knows what is on the disk,
// and another one may say that all is well: what is not safe goes to another segment, from memory.
func (j *Journal) abandon() {
	if j.file == nil {
		return
	}
	_ = j.file.Close() // it is in doubt already
	j.file = nil
	j.written = 0
	j.mu.Lock()
	j.upTo = j.synced
	j.trims = append(j.trims, j.segments[len(j.segments)-1])
	j.mu.Unlock()
}

// aged tells whether the oldest segment is past its time. The last one is not dropped: the newest mark is in it.
func (j *Journal) aged() bool {
	return len(j.segments) > 1 && j.running()-j.segments[0].ran > j.o.MaxAge
}

// drop gives up the oldest segment.
func (j *Journal) drop(why string) {
	j.mu.Lock()
	s := j.segments[0]
	lost := j.unaccounted(max(s.base, j.oldest), s.end)
	j.lost += lost
	j.oldest = max(j.oldest, s.end)
	j.holes.cut(j.oldest)
	j.segments = j.segments[1:]
	delete(j.failing, s.number)
	j.mu.Unlock()
	j.doomed = append(j.doomed, s)
	if lost > 0 {
		j.log(slog.LevelWarn, "the oldest records were dropped before they were acknowledged, for "+why, slog.Uint64("records", lost))
	}
}

// remove deletes what has been given up, as far as it can.
func (j *Journal) remove() error {
	var left []segment
	var errs error
	for _, s := range j.doomed {
		if err := ignoreMissing(j.o.Folder.Remove(s.name())); err != nil {
			left, errs = append(left, s), errors.Join(errs, err)
		}
	}
	j.doomed = left
	return errs
}

// makeRoom gives up the oldest segment where nothing is lost by it.
func (j *Journal) makeRoom() {
	j.mu.Lock()
	spare := len(j.segments) > 1 && j.segments[0].end <= j.acked
	j.mu.Unlock()
	if spare {
		j.drop("want of room")
	}
	_ = j.remove() // the disk is in a fault already
}

// bytes is what lies on the disk; what waits for its removal too.
func (j *Journal) bytes() (n int64) {
	for _, s := range j.segments {
		n += s.size
	}
	for _, s := range j.doomed {
		n += s.size
	}
	return n
}

// finish is the last disk work.
func (j *Journal) finish() {
	j.mu.Lock()
	j.ended = true
	j.mu.Unlock()
	j.retryAt = 0
	err := j.attempt(true)
	if j.file != nil {
		err = errors.Join(err, j.file.Close())
		j.file = nil
	}
	if err == nil {
		return
	}
	j.mu.Lock()
	unsafe := j.next - j.synced
	j.mu.Unlock()
	j.log(slog.LevelError, "the last records are not safe on the disk", slog.Uint64("records", unsafe), slog.Any("reason", err))
}

func ignoreMissing(err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}
