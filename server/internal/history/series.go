package history

import (
	"fmt"
	"strconv"

	"github.com/prometheus/prometheus/model/labels"
	"github.com/prometheus/prometheus/storage"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Labels of a series. The names of the two kinds of series say what their values are.
const (
	labelName    = "__name__"
	labelSite    = "site"
	labelPot     = "pot"
	labelPoint   = "point"
	labelEpoch   = "epoch"
	labelQuality = "quality"

	namePressure = "pressure" // gauge Pa
	namePressed  = "pressed"  // an electric handle: 0 or 1
)

// qualities is how many there are; they are the indices of a track's series.
const qualities = int(points.Good) + 1

// A trackKey names one point of one pot in one epoch of its agent's clock.
type trackKey struct {
	pot      string
	epoch    uint64
	point    points.Point
	electric bool
}

// A reading is what a sample says, in the store's terms.
type reading struct {
	quality points.Quality
	value   float64 // 0 with NoReply
}

// A track is what is remembered of the samples of one key, so that the store need not be asked for each of them.
type track struct {
	key    trackKey
	known  bool // newest is that of the store
	newest si.Instant
	last   reading // at newest
	seen   int64   // count of commits when it was last used
	series [qualities]struct {
		ref    storage.SeriesRef
		labels labels.Labels
	}
}

func (t *track) labels(site string, q points.Quality) labels.Labels {
	s := &t.series[q]
	if s.labels.IsEmpty() {
		name := namePressure
		if t.key.electric {
			name = namePressed
		}
		s.labels = labels.FromStrings(labelName, name, labelSite, site, labelPot, t.key.pot, labelPoint, t.key.point.String(),
			labelEpoch, strconv.FormatUint(t.key.epoch, 10), labelQuality, q.String())
	}
	return s.labels
}

// ofLabels is the key and the quality that a series' labels stand for.
func ofLabels(l labels.Labels) (trackKey, points.Quality, error) {
	k := trackKey{pot: l.Get(labelPot), electric: l.Get(labelName) == namePressed}
	var err error
	if k.point, err = points.Parse(l.Get(labelPoint)); err != nil {
		return k, 0, fmt.Errorf("history: series %v: %w", l, err)
	}
	if k.epoch, err = strconv.ParseUint(l.Get(labelEpoch), 10, 64); err != nil {
		return k, 0, fmt.Errorf("history: series %v: epoch: %w", l, err)
	}
	for q := points.Quality(0); int(q) < qualities; q++ {
		if q.String() == l.Get(labelQuality) {
			return k, q, nil
		}
	}
	return k, 0, fmt.Errorf("history: series %v: unknown quality", l)
}

// readingOf is what a sample says.
func readingOf(s *points.Sample, electric bool) reading {
	r := reading{quality: s.Quality}
	switch {
	case s.Quality == points.NoReply: // its value means nothing
	case electric && s.Point == points.Control:
		if s.Pressed {
			r.value = 1
		}
	default:
		r.value = float64(s.Value)
	}
	return r
}

// sampleOf is the inverse of readingOf.
func sampleOf(k *trackKey, at si.Instant, r reading) points.Sample {
	s := points.Sample{Point: k.point, Quality: r.quality, At: at}
	if k.electric {
		s.Pressed = r.value != 0
	} else {
		s.Value = si.GaugePressure(r.value)
	}
	return s
}
