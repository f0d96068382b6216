package main

import (
	"errors"
	"fmt"

	"example.com/calproof/image/evidence"
)

// The exit codes, the same for every command.
const (
	exitPass        = 0 // proved; or done, for a command that proves nothing; or equal, for diff
	exitFail        = 1 // disproved; or different, for diff
	exitCouldNotRun = 2 // wrong usage, an input that cannot be read, an output that cannot be written
	exitUnproven    = 3 // nothing wrong was found, but the evidence is not enough
)

// What --help says about them.
const (
	exitHelpVerdict = `Exit codes: 0 pass, 1 fail, 2 could not run, 3 unproven.`
	exitHelpDiff    = `Exit codes: 0 equal, 1 different, 2 could not run.`
	exitHelpDone    = `Exit codes: 0 done, 2 could not run.`
	exitHelpCheck   = `Exit codes: 0 pass, 1 fail, 2 could not run.`
	exitHelpRoot    = `Exit codes, the same for every command:
  0  pass: proved (or: done; diff: equal)
  1  fail: disproved (diff: different)
  2  could not run: wrong usage, unreadable or malformed input
  3  unproven: nothing wrong was found, but the evidence is not enough`
)

// exitError carries an exit code to main. The result that led to it has been
// printed, so it has no message of its own.
type exitError int

func (e exitError) Error() string { return fmt.Sprintf("exit code %d", int(e)) }

// exitFor turns a verdict into what a command returns.
func exitFor(v evidence.Verdict) error {
	switch v {
	case evidence.Pass:
		return nil
	case evidence.Fail:
		return exitError(exitFail)
	default:
		return exitError(exitUnproven)
	}
}

// exitCode maps what a command returned to the exit code of the process.
func exitCode(err error) int {
	if err == nil {
		return exitPass
	}
	if e, ok := errors.AsType[exitError](err); ok {
		return int(e)
	}
	return exitCouldNotRun
}

// exitWord says in a word what an exit code of a command means.
func exitWord(command string, code int) string {
	switch {
	case code == exitCouldNotRun:
		return "could not run"
	case command == "diff" && code == exitFail:
		return "different"
	case command == "diff":
		return "equal"
	case code == exitFail:
		return "fail"
	case code == exitUnproven:
		return "unproven"
	default:
		return "pass"
	}
}
