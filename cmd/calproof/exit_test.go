package main

import (
	"errors"
	"fmt"
	"testing"

	"github.com/stretchr/testify/assert"

	"example.com/calproof/image/evidence"
)

// TestExitCodes holds the numbers: they are a promise to scripts.
func TestExitCodes(t *testing.T) {
	assert.Equal(t, 0, exitCode(exitFor(evidence.Pass)))
	assert.Equal(t, 1, exitCode(exitFor(evidence.Fail)))
	assert.Equal(t, 2, exitCode(errors.New("cannot read")))
	assert.Equal(t, 3, exitCode(exitFor(evidence.Unproven)))
	assert.Equal(t, 3, exitCode(exitFor("")), "a verdict that nobody reached is no pass")
	assert.Equal(t, 1, exitCode(fmt.Errorf("wrapped: %w", exitError(exitFail))))
}
