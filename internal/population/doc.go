// Package population invents people and plays their journeys, complete ones and
// broken ones, by chance: a seed always gives the same journey. Commands go the
// way that every command goes, through the dispatcher and the commit, and are
// refused as often as the rules refuse them; only the engine between the two is
// left out. Nobody in it is real.
//
// It is for tests and benchmarks. The program itself does not use it.
package population
