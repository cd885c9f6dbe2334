package bustrace

// Line is how a transaction stands in a trace.
func Line(x *Transaction) []byte { return x.line() }
