// Package beacon decides when a lamp at a pot may be lit: only while the guard at the pot says its best word. It is
// pure: what has to be done on the line and what came of it are handed in and out, with the time (package poll does it).
//
// A dark lamp says nothing. A lit one is a word about a vessel on which somebody may act, therefore:
//
//   - the word is asked for before every single write that keeps a lamp lit, and such a write is not sent when the
//     program was held up after it asked. Any other word, an old one (R6), three requests or writes in a row without success,
//     no good reading back for 2 s: dark;
//   - nothing that dies can keep a lamp lit. Of a relay with a watchdog the agent repeats "on" at least every third of it,
//     and every 500 ms; of one that is lit by change it changes the value at least every 500 ms. Killed, stopped,
//     unplugged or late, it stops doing so;
//   - "off" is written at once, and again until the unit has confirmed it. A unit that does not within 300 ms is left alone,
//     readings of it included, for as long as its watchdog needs: then the watchdog puts the lamp out, whatever the
//     line does. An output lit by change is put out by leaving it alone; "off" is written to it only then, if at all,
//     for later any write may be a change that lights it. At a start it is left as it is for the same reason;
//   - each output is read back once a second. One that is on for over 2 s while it should be off is critical: its
//     beacon stays dark until the agent is started again. One that is off while it should be on is dark until the
//     guard's word has been another one.
//
// What is proven before a lamp is lit, at each start and whenever the unit was silent for over 1.5 s:
//
//   - watchdog: the output was switched off and reads off; then an unused output of the same relay is energised, reads on,
//     and reads off after the unit was left alone for the watchdog's time and 300 ms. The lamp is not lit for it. It
//     proves that the relay's watchdog runs and is not longer than that. It does not prove that the watchdog acts on the
//     beacon's own output, nor that a contact is not welded: the reading back, or the input at the contact, tells that
//     when the lamp goes out;
//   - change: the contact of the lamp reads off 2 s after the unit was first heard, with no change made. That it drops
//     out when the changes end cannot be seen without lighting it: so the first time that it may be lit, it is lit until its
//     contact says so, then left alone, and must drop out within 2 s before it is lit to stay.
//
// A beacon without the means for its proof stays dark, and says so.
//
// Not proven by anything: that the lamp hangs at the pot it is configured for, that nobody else wires or writes the
// output, and with a watchdog and no contact input, that the relay's reading back is its contact and not its memory.
// A unit that handles a request late is fed late, by what was sent before: the lamp may be lit for so much longer than 3 s.
// Nor can it be known of a gateway whether it holds requests back: one that delivers an "on" late lights the lamp for as
// long as the watchdog, or the external relay, allows. A beacon belongs on a line that delivers at once.
package beacon
