// Package ledger is the record: readings as the probes gave them, what people and the daemon told, the
// events that came of it, the engine's snapshot and how far each publisher is. It lives in one SQLite file.
//
// Readings stand in blocks, a row a block. One Commit is one transaction: the block, the marks, notices and
// events of its sweeps and the snapshot after them are durable together or not at all. A restart restores
// the snapshot and feeds what was recorded after it.
//
// Writer takes the loop's sweeps without ever waiting for the disk, and tells of events once they are
// durable or one second has passed.
package ledger
