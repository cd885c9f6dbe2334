// Package mqtt is the way to a broker: it publishes the latest state as retained messages and every event
// once the broker has acknowledged it, and takes marks from a command topic when that is allowed. It also
// holds a small broker to run inside the daemon.
//
// Under PREFIX/SITE stand: status (online or offline), status/board (which run of which board says so), status/config,
// probe/PROBE, station/STATION, lot/LOT,
// alarm/STATION/ALARM/SUBJECT, head (all retained), event, command/mark and command/mark/answer (not retained). What is gone has its
// retained message cleared, also when another run of the daemon left it behind; so two daemons on one
// broker need two sites. Where two have one all the same, each tells it (rival).
//
// # Names in topics
//
// A name becomes one level of a topic. Every byte of a character that is '/', '+', '#', '%', '*', '>' or a blank, that is
// not printable, or that is not valid UTF-8 is written as '%' and two hexadecimal digits. An empty name is "-",
// and the name "-" itself "%2D". What is longer than 128 bytes is cut and ends in "%~" and 16 hexadecimal
// digits of the whole name's SHA-256. So two names never share a topic.
// A blank, '*' and '>' mean something in the subjects that NATS makes of topics: it ends the connection at the first.
package mqtt
