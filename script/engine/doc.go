// Package engine decides. Given a dialogue, a unit's plan and what the unit
// shows, it says what may be typed, or why nothing may.
//
// It is pure: it starts no goroutine, opens nothing and reads no clock; times
// come in as arguments. Package script/player drives it over a line. The
// caller owes it this order: Fact for each value read, then Live, then Decide
// with the number of the live prompt that the text ends in, then Answered
// once the answer has left.
//
// The rules it keeps, by their names in the design:
//
//   - never guess: a prompt that is not known, or whose guard is false, is a
//     hold;
//   - at most once: an exchange is answered as often as the dialogue says,
//     and the same prompt again is a refusal;
//   - the right chassis: no plan value before the unit's serial number is the
//     planned one;
//   - pick up anywhere: after Attached, the stage whose prompt shows is where
//     the run goes on, and what was passed over is not witnessed.
package engine
