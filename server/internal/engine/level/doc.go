// Package level tells what is left in a blasting pot, how fast it goes, and when it will be gone, from pressures alone. It
// is pure: seconds of blasting, presses and vents in, an estimate out; no clock, no I/O, no goroutine, and nothing
// allocated after New. Like all of the engine it never says whether a vessel may be opened.
//
// # Symbols
//
//	p_v p_h p_n  absolute pressures of vessel, hose point and nozzle inlet, Pa; squares are means of squares (package steady)
//	p_b          that of the point before the vessel: the separator's where there is one, else the supply's, Pa
//	R, T         gas constant of air, 287.05 J/(kg K); its temperature, taken for 293.15 K
//	V, V_h, V_b  volumes of the whole vessel, of the hose, and of the piping besides (0.003; common practice, no source), m3
//	A, n         area of the nozzle's bore, m2; its flow of clean air over p_n, kg/(s Pa)
//	m            flow of air, kg/s;  m_u that of abrasive before a stop, m_l its mean of forty minutes of blasting
//	mu, mu_e     loading in the hose, and of what enters it, kg of abrasive a kg of air;  mu_u the usual one, of twenty seconds
//	phi          m over that of clean air at the same p_n
//	k, kappa     how a unit of loading slows the nozzle's air, and what it adds to the hose's friction
//	X, H         what mu is told from, with and without a nozzle point;  X_0, H_0 in clean air
//	W, u, K      of X_0 the friction at the wall; one velocity head over p_n^2; minor losses in velocity heads
//	f            what fills the vessel over what the nozzle passes
//	t_h          the hose's time: time constant in which it clears of abrasive, s
//	B, s         abrasive in a pot that is full, kg; abrasive in the pot, share of B
//	g            flow of abrasive over what the formula gives, one factor of each pot
//	tau          vent time, or time constant of the charge, in the first one that the pot gave
//	c, a, b      tau of the empty pot, how much it is less of the full one, and what a unit of loading adds to it
//	O            how much likelier a stop is one of an empty pot than one of a blocked valve
//	t, t_o, M    time, s; when a stream begins to end; abrasive in the cone above the valve by then, kg
//	e, i         what enters the hose and what is in it as a stream ends, over mu_u
//	y, y_0       (p_v^2 - p_h^2)/(phi p_n)^2, and that of clean air;  y_x in a stop
//	beta         what a unit of loading adds to y, over y_0
//	d_1 d_2 d_3  losses of squares of separator, valve (from separator to vessel) and mixing (from vessel to hose point), Pa^2
//	lambda       how fast ln p_h falls in a vent, 1/s
//	q, r         air that leaves the vessel in a vent, over n p_n; its way's resistance, loss of squares over p_n^2 at q = 1
//	z            what gauges show in a vent where nothing is lost, over p_n^2
//	D            drawn since the filter began, share of B
//	t_e, x, L    time to empty, s of blasting; t_e over 600 s; ln of the last minute's flow of abrasive over m_l
//
// # Capacity
//
// A pot that is filled to the full holds 0.9 of its vessel's volume of abrasive (common practice, no source), of the
// configured bulk density, else of 1600 kg/m3, or of 16/35 of the grains' where that alone is configured. That is B: what
// the pot truly holds is known to no gauge. If it holds a tenth more, every kilogram told is a tenth too few, and shares
// and times are right all the same.
//
// # Flow through the metering valve
//
// The nozzle is choked above about 0.9 bar gauge (NACA Report 1135), so it meters the air:
//
//	m = phi n p_n,  n = 0.0404 A/sqrt(T),  phi = 1/sqrt(1 + k mu)                                          (1)
//
// with k 0.39 from the trade's table of nozzles (airflow.HandbookSlowing). Abrasive multiplies the hose's friction at the
// wall by 1 + kappa mu, and less air has a smaller Reynolds number (its power 0.08 is nearer to that of a smooth hose,
// 0.09, than to that of a wall of 0.01 mm, 0.03 to 0.07). With the isothermal law of the pipe (package airflow has it, and
// its sources) X = (p_h^2 - p_n^2)/p_n^2 is
//
//	X (1 + k mu) = W (1 + k mu)^0.08 (1 + kappa mu) + u (K + ln(1 + X))                                    (2)
//
// X does not depend on the supply, nor on what clogs before the hose, nor on whether the vessel's pressure stands still. No
// value of kappa is published; 2.2 is the median of simulated pots, and what a pot's own is off by goes into g. W and u
// follow from the hose's and the nozzle's dimensions, K is 1 (common practice, no source). What X of clean air is off them
// is learned: nothing can be below clean air, and when the stream has stopped for four times the hose's time it is clean
// air. Up to 0.012 that is taken for the gauges' zeros, beyond it for a hose or a bore that multiplies X.
//
// Without a nozzle point
//
//	H = p_h^2 (1 + f)^2/(p_b^2 - p_v^2) = H_0 (1 + mu (k + kappa W)/(1 + X_0)),  f = V/(R T) dp_v/dt/m     (3)
//
// takes the place of X, and p_v that of p_h where there is no hose point. It follows from (1) and (2) without what ln(1 +
// X) and the Reynolds number change, and grows with mu a third as much as X. p_b is the separator's where it can be, as a
// separator clogs within days. The m of f is taken for a mu of 1.3, its rate is that of the second's own middle, and V the
// whole vessel's (package steady). H_0 is known only after the stream has stopped once; before that the first stream is
// taken for an ordinary one, of mu 1.3. It moves with every clog between, and goes back within two hours to where mu_u
// before earlier stops would have it. p_n is then reckoned from p_h by (2).
//
// Where there is neither a point before the vessel nor both of hose and nozzle, nothing tells the setting: the flow is that
// of the trade's table for the nozzle, mu 1.3, times g, no stop is seen, and the intervals say so.
//
// What enters the hose is told from what is in it by an observer of
//
//	t_h dmu/dt = mu_e - mu                                                                                 (4)
//
// t_h is 2.5 times what air takes through the hose (of simulated pots). Without a nozzle point mu_e is taken for mu.
//
// # Soundings
//
// Grit displaces air, so a full pot vents and charges faster. Gas between the grains keeps its temperature, free gas does
// not, so the time falls by less than the volume:
//
//	tau = c - a s + b (mu - 1.3),  b none for the charge                                                   (5)
//
// with a/c 0.8 of the share of the volume that the grains of a full pot take, give or take 15 % (both of simulated pots),
// until the pot has taught its own c and a. A rich stream lets less air out through the nozzle; b is about 0.05 of the
// vent. A blast under half a minute leaves the air warm, and the vent is shorter by up to 12 %, which is taken off; after
// one under four seconds it is no sounding. Nor is one after the pot ran empty: it belongs to another path, as the open
// metering valve bleeds too. Each sounding has a noise of 2.2 % (of simulated pots), a charge of which no point shows the
// feed 6 %. Between a vent and the next press nothing is drawn: where both tell the same, within 0.15, they are shown as
// one sounding, with half the variance.
//
// # Filter
//
// An extended Kalman filter of seven states: s, ln g, c, a and b of the vent, c and a of the charge. Between strokes
//
//	ds/dt = - g mu_e m/B                                                                                   (6)
//
// is summed, and ln g walks by 0.017 in ten minutes of blasting, without a nozzle point by 2.5 times that, and by 8 times
// where nothing tells the setting; (5) moves the belief with vents and presses. What all soundings of one fill are off
// together is in c and a. How well soundings fit is learned for each kind and widens or narrows their noise; one that is
// more than three deviations off counts less. Gradients are taken along one line for each fill: see belief.
//
// # Known empty and known full
//
// The stream stops with the level near zero: the pot is empty. The first time all that was guessed before is dropped, but
// for the times as they are now. After a rest of over half a minute at no pressure, the first sounding weighs four stories:
// not filled; filled to the full; filled to the full after it ran empty; topped up. The belief becomes their mixture. The
// longer the rest, and the emptier the pot, the likelier a fill was beforehand (common practice, no source). A level that
// has gone farther under nothing than its error explains is given up: s begins anew, and the pot as one that was never seen
// empty.
//
// # Stopped
//
// mu_e is 0.15 of mu_u or less for so long that what it lacks, in 0.15 of mu_u, adds up to 1.8: two seconds of nothing. A
// damp lump that lets a tenth through is a stop after six seconds, one that lets 0.13 through never. Without a nozzle point
// a second's mu is off by a tenth and more: there the logarithm of how much likelier a stop is than a stream is summed
// (Wald, Sequential Analysis, 1947), with the scatter that the pot has shown, after the twelfth second of a press, until it
// is 10; at 0 abrasive flows again.
//
// # Empty or blocked
//
// A blocked valve is five times rarer than an empty pot, and happens at any level, so that
//
//	O = (density of s at 0.003)/0.2 times what the next four sections have observed                        (7)
//
// and a cause that is likelier than four to one is said at once. One that is not told yet is waited for, two seconds at
// most: then the word is undecided. For twenty seconds of a stop its cause is judged again each second. The next vent
// decides by its time as well: the likelier cause is then said, but without a nozzle point in a pot that has not run empty
// yet, where it must be twice as likely. Where it was not timed, as the next press came too early or readings are missing,
// all else says a cause that is twice as likely. One level in a hundred is off by far more than its deviation, as an exhaust, a setting or a hose
// changed meanwhile, and one vent in a hundred fits no cause, so neither is held to be impossible. When abrasive flows
// again the valve was blocked; when the pot is filled first, it was empty: by that the stop is proven, and the sections
// below learn from it.
//
// # How the stream ends
//
// Behind a blocked valve nothing comes from one moment to the next, and the hose clears in its own time; the last of a pot
// comes thinner and thinner, as the cone above the valve runs empty. After t_o
//
//	e = 0 behind a blocked valve,  exp(-(t - t_o) m_u/M) of a pot that runs empty;  t_h di/dt = e - i      (8)
//
// y goes with e in the same second, mu with i, and y with i as well, as far as k of (1) is off: the handbook leaves 0.1 of
// it open, and so much times mu is held for the standard deviation of what y creeps by while the hose clears. Both lines
// are fitted to the last twenty seconds, with each t_o of the last 26, as the end of a slow stream begins before them,
// with nine M from 0.2 to 3.2 kg (common practice, no source) and two t_h; M/m_u is 1.2 s at least (of simulated pots, of
// which the quickest takes 2 s from half of the usual flow to none). The sums of the likelihoods of either story are held
// against each other, for at most a hundred to one. A hose that surges, or a compressor that swings,
// fits neither: then both sums are widened by what the best of them is off, and the hose counts for a third at all times. A
// hose that has not been filled shows nothing of it. A press in which nothing comes after one in which abrasive came to the
// end is thirty times likelier that of a blocked valve, where s or D says more than a guess. What was seen of a stop that
// goes on is still known in the next press.
//
// # What the tee loses
//
// Between vessel and hose point air passes push line and mixing tee, and takes abrasive along in the tee:
//
//	y = y_0 (1 + beta mu),  so y_x/y_0 = y_x (1 + beta mu)/y,  1 behind a blocked valve                    (9)
//
// of the stop and of the stream before it; what gauges are off is in both. y and mu of the stream are means of the last
// twenty seconds of a full hose. In a pot that has run empty y_x is less, as its open valve is a second way beside the push
// line: resistances in parallel lose less, about three quarters of y_0 in simulated pots, and that is taken for anything
// from 0.35 to 0.95 until a stop was proven. So (9) tells the cause in the first second and in a pot's first stop, without
// a level. No value of beta is published; 0.38 is the median of simulated pots, give or take a third of that, by which y_0
// is off by 10 % at a mu of 1.3 and by 15 at 2.3. A stop that is proven blocked shows the pot's own beta, one that is
// proven empty what its open valve leaves of y_0. With what the next section tells it counts for a hundred to one at the
// most.
//
// # How the air parts
//
// Behind the inlet valve one branch is the push line, the other one vessel and metering valve, both end in the mixing tee.
// Abrasive in the valve, or a lump, lets as good as no air through, and the vessel has the pressure of the parting. An
// empty pot's open valve lets air through: then
//
//	d_2/d_1 rises, and d_3/d_2 falls, both at any flow                                                     (10)
//
// By how much is another matter for each pot: 4 to 9 % and a quarter to a third of simulated ones, nothing where the valve
// is small. So first the sign of d_2/d_1 alone counts, over what errors of gauges can do: that is zeros and spans times
// what the flow has grown since abrasive flowed, less what supply and separator show apart at rest, and it is hardly more
// than two to one. Once a stop was proven, d_3/d_2 of the next one is held against it in a pot without a nozzle point,
// where (9) does not tell the same: the same errors are in both, and that is mostly a hundred to one, which is as far as it
// counts. Once both kinds were proven the sign counts no more. From a stop that was proven on neither counts before the
// fourth second of the next, as the valve of a pot that has run empty opens to air only by and by, and neither does in the
// first twenty seconds of a press, whose air cools.
//
// # How the vessel vents
//
// Meanwhile the nozzle goes on blowing. What it takes comes out of the air of hose and piping, as the pressure falls, and
// out of the vessel: through the line by which that is filled and, in a pot that has run empty, through the open metering
// valve besides. Over n p_n, with phi of the loading that the hose's loss shows in the vent,
//
//	q = phi - lambda (V_h + V_b)/(R T) (p_h + p_n)/(2 p_n)/n,   (p_v^2 - p_h^2)/p_n^2 = z + r q |q|        (11)
//
// r of a blocked valve is that of all the vents before, when abrasive lay in it; an open one leaves some share of it,
// another one in each pot. z is what the gauges are off, less their zeros, which every rest shows. A filter of three states
// follows z, r and what 1 - phi is off, from vents in which abrasive flowed. Once three of them were seen, the vent after a
// stop is held against r, now and then more, and against all shares of it up to 0.7, for at most 30 to one. It needs no
// stop that was proven in a pot whose level is a guess; in one that has run empty once it counts after it has been right
// there once, and in none in which it was more often wrong. Where the hose gives nearly all that the nozzle takes, q is
// under 0.25 and tells nothing: that is so of wide and long hoses behind small nozzles, and of the first vents of all: two
// fifths of the stops of simulated pots.
//
// # What was drawn
//
// In a pot of which neither end was seen D takes the place of s in (7). It began full in all but 15 % of the cases, as
// crews fill at set-up, else with anything (common practice, no source). D is told by flow and vents to 7 to 10 % in
// simulated pots, half of what the filter reckons with, and in a few by far worse, for which a tenth of the cases is set
// aside. No more was drawn than there was, so s not under zero makes D less where the flow is reckoned too high, before the
// vent and, with a nozzle point, after it. As much as a pot holds: it has run empty. Less: it may be blocked or have begun
// with less, and no gauge tells. There the word may be undecided without a nozzle point also after the vent. If such a pot was filled since, or D is over 1.3, s counts again,
// and the pot may hold anything with a probability of a fifth.
//
// # Time to empty
//
// The last minute's flow goes back to the usual of forty minutes with a time constant of ten minutes of blasting, as a
// process of Ornstein and Uhlenbeck (Uhlenbeck and Ornstein, Physical Review 36, 1930), so that
//
//	t_e = s B/(g m_l exp(L (1 - exp(-x))/x)),  x = t_e/(600 s)                                             (12)
//
// The variance of the process is that of this pot's own settings. The interval holds the variances of s and of g, how they
// lean on one another, and that of the mean flow to come. What g is off goes with the loading, so it wanders as the setting
// does: of a pot whose setting stays a fifth of its variance counts (of simulated pots). On the clock: over the share of
// blasting in the last half hour, breaks of over five minutes cut to that.
//
// # Assumptions
//
// Abrasive, nozzle and hose are as configured, and all of one pot's abrasive is alike. What leaves the vessel leaves by the
// hose: what is taken out by hand is missing from the sum until the next sounding. Flow scales with the loading by one
// factor that changes slowly. The exhaust is the same from vent to vent but for a slow change, and so is the inlet. A pot
// is filled only at no pressure, in a rest of over half a minute, and one that has run empty mostly is: where a crew goes
// on to press an empty pot and never fills it, a rest is now and then taken for a fill, and the press after it for one of a
// blocked valve. The metering valve lets either all or nothing through: one that clogs over many seconds looks as a pot
// that runs empty. A vessel under the pressure of its hose point gives no abrasive yet, and is given time; one that falls
// by over 40 kPa a second vents, whatever has been heard of the handle. Seconds of blasting that are more than three
// seconds apart are of two presses (slow logs: two and a half of their periods). The tee loses in proportion to what
// abrasive is in it, by beta; simulated pots all have push lines and tees of one kind, so how far beta differs from piping
// to piping is a guess. Numbers that are said to be of simulated pots are of no others.
//
// # What cannot be known
//
// What a full pot weighs. How full one is that has neither run empty nor been filled yet: s, a and g show only as products,
// and a pot that is only topped up keeps wide intervals. Whether a pot of which neither end was seen, and that stops before
// it has given what a full one holds, has run empty or is blocked. What the crew will set: (12) reckons with what it has
// set. Without a nozzle point a clog before the hose and another setting look alike until the stream stops, and a first
// stream that is leaner or richer than 1.3 is told so too late. A valve that is blocked before a press begins, in which
// nothing comes, shows no end of a stream; what is then told rests on s and on the air alone.
package level
