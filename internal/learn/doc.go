// Package learn derives what a profile says of a family from recordings of
// one's own bench: current bands, dwells, traffic and gaps. Which mode a board
// was in comes from following each recording through infer with the profile as
// it is, so what people marked counts as evidence there. The package is pure:
// it does no I/O and changes no file; it says what it would change and from how
// much evidence.
//
// The rules, so that a table can be understood and checked:
//
//   - Readings and traffic within 2 s of a mode change are left out. While the
//     supply is lost there are no readings, and nothing is made up for them.
//   - Bands and traffic are the 5th to 95th percentile (Percentile), from at
//     least 30 s. What a supply shows while bus power feeds the board too goes
//     into amps_with_vbus. The band of off is a limit of the instrument and is
//     never changed; when standby's is, starts_above keeps its value.
//   - A dwell is finished when its beginning was seen and the board went on to
//     a later mode by itself; one that ended in a drop, a stop or an earlier
//     mode says nothing. Typical is the median of five or more. People decide
//     how long a board runs or sleeps: dwells are learned where the profile has
//     them, and for starting, restoring and re-pairing.
//   - Limits (the longest dwell, the gap) are the longest case and half as much
//     again. One case longer than a limit raises it; to lower one takes five.
//     A gap takes five to be raised too, because an absence may be a cable that
//     somebody pulled, and is never lowered below the profile's general one.
//     Absences that a mark says were a person's doing (mine, hands-on) are left
//     out, and counted.
//   - Traffic that is the same all the time makes no band.
package learn
