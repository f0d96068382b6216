// Package report turns result values into text, JSON and HTML.
package report
