// Package daemon builds the parts of holdbell from a configuration and owns the one loop: a sweep and the
// marks since the last one go through the rules, the record takes what came of it, and the publishers
// are told. The verbs that watch differ in nothing but the source of the sweeps.
package daemon
