package replay

import (
	"slices"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/samplecsv"
)

const (
	intervals = 100  // whose median is the log's period
	mostAhead = 4096 // rows read to find them
)

// readAhead reads the rows that tell the log's period, and the error that ended them early.
func readAhead(r *samplecsv.Reader) (rows []samplecsv.Row, err error) {
	var row samplecsv.Row
	for vessel := 0; vessel <= intervals && len(rows) < mostAhead; {
		if err = r.Next(&row); err != nil {
			break
		}
		rows = append(rows, row)
		if row.Has.Has(points.Vessel) || !r.Columns().Has(points.Vessel) {
			vessel++
		}
	}
	return rows, err
}

// period is the median interval between readings of the vessel, else between rows, in whole milliseconds; 0: not known.
func period(rows []samplecsv.Row) time.Duration {
	for _, counts := range [...]func(*samplecsv.Row) bool{
		func(r *samplecsv.Row) bool { return r.Has.Has(points.Vessel) },
		func(*samplecsv.Row) bool { return true },
	} {
		var gaps []time.Duration
		var last si.Instant
		for i := range rows {
			if !counts(&rows[i]) {
				continue
			}
			if last != 0 && len(gaps) < intervals {
				gaps = append(gaps, rows[i].At.Sub(last))
			}
			last = rows[i].At
		}
		if len(gaps) > 0 {
			slices.Sort(gaps)
			return gaps[len(gaps)/2].Round(time.Millisecond)
		}
	}
	return 0
}
