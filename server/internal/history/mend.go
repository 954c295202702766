package history

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"log/slog"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/tsdb/record"
	"github.com/prometheus/prometheus/util/compression"
)

// Layout of a segment of the log. A record is cut into pieces where a page ends; a piece is a header and its bytes.
const (
	logPage   = 32 << 10
	logHeader = 7 // kind and compression (1 byte), length (2), checksum of the bytes (4)

	pieceNone   = 0 // the rest of the page is unused, and zero
	pieceFull   = 1
	pieceFirst  = 2
	pieceMiddle = 3
	pieceLast   = 4
	pieceMask   = 7
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// A piece is where one lies in its segment.
type piece struct{ at, length int }

// A verdict says what becomes of a record of the log.
type verdict uint8

const (
	keep   verdict = iota
	omit           // nothing is lost with it
	broken         // not one that the store writes: the checksum does not cover the kind and the compression
)

// mendSegment replaces in place what cannot be read of a segment, and what is to be left out: pieces of a record by records
// of the same length of a kind that says nothing, and what does not even show its length by an unused rest of the page. All
// other records stay as they are. It gives the bytes lost, and the first reason; 0: nothing was. Pure.
func mendSegment(b []byte, judge func(record []byte) verdict) (changed bool, lost int, why string) {
	var open []piece // of a record whose end is still to come
	var whole []byte
	decoder := compression.NewSyncDecodeBuffer()
	bad := func(at int, format string, args ...any) {
		if why == "" {
			why = fmt.Sprintf("at byte %d: ", at) + fmt.Sprintf(format, args...)
		}
	}
	drop := func(pieces ...piece) {
		for _, p := range pieces {
			fill(b[p.at : p.at+logHeader+p.length])
			lost += logHeader + p.length
			changed = true
		}
	}
	for page := 0; page < len(b); page += logPage {
		end := min(page+logPage, len(b))
		for at := page; at < end; {
			p, kind, reason := readPiece(b[:end], at)
			if kind == pieceNone && reason == "" {
				break
			}
			if reason != "" {
				bad(at, "%s", reason)
				drop(open...)
				open = nil
				if p.length < 0 || !pageGoesOn(b[:end], at+logHeader+p.length) {
					lost += end - at
					changed = true
					clear(b[at:end])
					break
				}
				drop(p)
				at += logHeader + p.length
				continue
			}
			begins := kind == pieceFull || kind == pieceFirst
			if begins && len(open) > 0 || !begins && len(open) == 0 {
				bad(at, "a record is not whole")
				drop(open...)
				open = nil
				if !begins {
					drop(p)
				}
			}
			if begins || len(open) > 0 {
				open = append(open, p)
			}
			if ends := kind == pieceFull || kind == pieceLast; ends && len(open) > 0 {
				whole = whole[:0]
				for _, p := range open {
					whole = append(whole, b[p.at+logHeader:p.at+logHeader+p.length]...)
				}
				v := broken
				if plain, err := compression.Decode(compressionOf(b[at]), whole, decoder); err == nil {
					v = judge(plain)
				}
				switch v {
				case broken:
					bad(at, "a record says nothing")
					drop(open...)
				case omit:
					before := lost
					drop(open...)
					lost = before
				}
				open = open[:0]
			}
			at += logHeader + p.length
		}
	}
	if len(open) > 0 {
		bad(open[0].at, "the last record is torn")
		drop(open...)
	}
	return changed, lost, why
}

// compressionOf is how a record is compressed, by the first byte of its last piece, which the library goes by.
func compressionOf(b byte) compression.Type {
	switch {
	case b&(1<<3) != 0:
		return compression.Snappy
	case b&(1<<4) != 0:
		return compression.Zstd
	}
	return compression.None
}

// judgeRecords makes what judges the records of the log. Left out are those that say of late samples in the log that they
// are in a chunk of a file: the library logs them when the chunk is still in its own buffer, or, for the first chunk of a
// series after it took stock of late samples, with no chunk at all. Where the process is killed then, it would take the
// samples for safe when it reads the log, and drop them. The files of chunks are not kept either, see salvage, so that all
// late samples come from the log.
func judgeRecords() func(rec []byte) verdict {
	d := record.NewDecoder(labels.NewSymbolTable(), slog.New(slog.DiscardHandler))
	var samples []record.RefSample
	return func(rec []byte) verdict {
		if len(rec) == 0 || rec[0] == 0 {
			return keep
		}
		var err error
		switch d.Type(rec) {
		case record.Series:
			_, err = d.Series(rec, nil)
		case record.Samples, record.SamplesV2:
			samples, err = d.Samples(rec, samples[:0])
		case record.MinValidTime:
			_, err = d.MinValidTime(rec)
		case record.Tombstones:
			_, err = d.Tombstones(rec, nil)
		case record.MmapMarkers:
			return omit
		default:
			return broken
		}
		if err != nil {
			return broken
		}
		return keep
	}
}

// readPiece reads the piece at a place of a page, which ends with b. Its length is negative where it cannot be told.
func readPiece(b []byte, at int) (p piece, kind byte, reason string) {
	kind = b[at] & pieceMask
	if kind == pieceNone {
		for _, c := range b[at:] {
			if c != 0 {
				return piece{at, -1}, kind, "the unused rest of a page is not empty"
			}
		}
		return piece{at, 0}, pieceNone, ""
	}
	if kind > pieceLast || at+logHeader > len(b) {
		return piece{at, -1}, kind, "no header of a record"
	}
	p = piece{at, int(binary.BigEndian.Uint16(b[at+1:]))}
	if at+logHeader+p.length > len(b) {
		return piece{at, -1}, kind, "a record is longer than its page"
	}
	if crc32.Checksum(b[at+logHeader:at+logHeader+p.length], castagnoli) != binary.BigEndian.Uint32(b[at+3:]) {
		return p, kind, "checksum of a record"
	}
	return p, kind, ""
}

// pageGoesOn tells whether a sound piece, or the end, follows: then the length before it can be believed.
func pageGoesOn(b []byte, at int) bool {
	if at == len(b) {
		return true
	}
	_, _, reason := readPiece(b, at)
	return reason == ""
}

// fill makes of a piece a full record of zeros, whose kind the library passes over.
func fill(b []byte) {
	clear(b)
	b[0] = pieceFull
	binary.BigEndian.PutUint16(b[1:], uint16(len(b)-logHeader))
	binary.BigEndian.PutUint32(b[3:], crc32.Checksum(b[logHeader:], castagnoli))
}
