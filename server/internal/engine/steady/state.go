package steady

import "gritwatch/internal/statecodec"

// Fields lists the averager's state for the state of the one that steps it.
func (a *Averager) Fields(c *statecodec.Codec) {
	statecodec.Int(c, &a.first)
	statecodec.Int(c, &a.last)
	statecodec.Int(c, &a.n)
	for i := range a.pp {
		statecodec.Int(c, &a.count[i])
		statecodec.Float(c, &a.pp[i])
	}
	for i := range a.before {
		statecodec.Float(c, &a.before[i])
		statecodec.Int(c, &a.beforeAt[i])
	}
}
