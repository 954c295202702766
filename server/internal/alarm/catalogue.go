package alarm

import "gritwatch/internal/alarmtext"

// Words are what people are told of an alarm.
type Words = alarmtext.Words

// AnswerRule stands beside every alarm, and beside the end of one.
const AnswerRule = alarmtext.AnswerRule

// Text is what people are told of an alarm. Of a gauge's fault Says and Causes are those of the fault.
func Text(k Key) Words {
	return alarmtext.Of(k.Kind.String(), k.Fault, k.Point == vesselPoint && blinds(k.Fault))
}
