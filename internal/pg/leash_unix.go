//go:build unix

package pg

import (
	"fmt"
	"io"
	"os/exec"
	"strconv"
	"time"
)

// A leash is a small process that outlives us, should we be killed, just long
// enough to stop what we started. It reads a pipe whose other end only we hold:
// the system closes that end when we die, in whatever way.
type leash struct {
	pipe io.WriteCloser
	cmd  *exec.Cmd
}

// leashScript gets: signal, target as for kill(1), how long to wait for its end in
// tenths of a second, then paths to remove after that. The line "gone" tells that
// the target has ended by itself (its number may be another's by now), "bye" that
// we have cleaned up ourselves. The script ignores the signals of terminals and
// service managers, since we answer them and still want the leash while we do.
//
// kill(1) is written in the only way that dash, bash and busybox all take for a
// group. An ended process keeps its number until its new parent notices, which takes
// long in some containers; Linux tells by the letter Z.
const leashScript = `
trap '' HUP INT TERM
signal=$1 target=$2 left=$3
shift 3
while read -r word; do
	case $word in
	gone) target= ;;
	bye) exit 0 ;;
	esac
done
if [ -n "$target" ]; then
	kill "-$signal" "$target"
	while kill -0 "$target"; do
		stat=
		[ -r "/proc/$target/stat" ] && read -r stat <"/proc/$target/stat"
		case $stat in *") Z "*) break ;; esac
		left=$((left - 1))
		[ "$left" -gt 0 ] || { kill -QUIT "$target"; break; }
		sleep 0.1 || sleep 1
	done
fi
[ $# -eq 0 ] || rm -rf -- "$@"
`

// A server still writing things out after five minutes is cut off; it repairs that
// at its next start. A group is killed, which takes no time, but see above.
const (
	serverLimit = 5 * 60 * 10
	groupLimit  = 2 * 10
)

func newLeash(signal, target string, limit int, remove []string) (*leash, error) {
	args := append([]string{"-c", leashScript, "alike-leash", signal, target, strconv.Itoa(limit)}, remove...)
	cmd := exec.Command("/bin/sh", args...)
	cmd.Dir = "/"
	cmd.SysProcAttr = ownGroup()
	pipe, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		return nil, fmt.Errorf("starting the leash of the database: %w", err)
	}
	return &leash{pipe: pipe, cmd: cmd}, nil
}

// gone tells the leash that its target has ended. Here and in release an error
// means that the leash itself is no more, which is what we want in the end.
func (l *leash) gone() { io.WriteString(l.pipe, "gone\n") }

// release ends the leash without further effect.
func (l *leash) release() {
	io.WriteString(l.pipe, "bye\n")
	l.pipe.Close()
	l.cmd.Wait()
}

func (l *leash) pid() int { return l.cmd.Process.Pid }

// gateScript waits for a word and then becomes the program, keeping its number.
// In between the program gets its leash, so that our death at no moment leaves
// it running: a gate that still waits ends when we die. The account of the
// program opens the log, since the log lies in a folder of that account.
const gateScript = `
log=$1
shift
read -r word || exit 1
if [ -n "$log" ]; then
	exec "$@" >>"$log" 2>&1 </dev/null
fi
exec "$@" </dev/null
`

// start starts the command in a process group of its own.
func (c command) start() (*child, error) {
	args := append([]string{"-c", gateScript, "alike-gate", c.log, c.program}, c.args...)
	held := &child{cmd: exec.Command("/bin/sh", args...)}
	cmd := held.cmd
	cmd.Dir = "/" // ours may be closed to the account
	cmd.Env = c.env
	cmd.Stdout, cmd.Stderr = &held.said, &held.said
	cmd.WaitDelay = 5 * time.Second
	cmd.SysProcAttr = c.who.attributes()
	gate, err := cmd.StdinPipe()
	if err != nil {
		return nil, err
	}
	if err := cmd.Start(); err != nil {
		if c.who.drop {
			err = fmt.Errorf("as the account %s: %w", c.who.name, err)
		}
		return nil, err
	}
	signal, target, limit := "INT", strconv.Itoa(held.pid()), serverLimit
	if c.group {
		signal, target, limit = "KILL", "-"+target, groupLimit
	}
	if held.leash, err = newLeash(signal, target, limit, c.remove); err != nil {
		gate.Close()
		cmd.Wait()
		return nil, err
	}
	io.WriteString(gate, "go\n") // if this fails the gate is gone, as wait will tell
	gate.Close()
	return held, nil
}
