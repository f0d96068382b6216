package report

// Clean placeholder until the text renderer lands.
func Clean(s string) string { return s }
