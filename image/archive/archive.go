// Package archive keeps images per vehicle, with hashes and history.
package archive
