package pg

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// longestSocket is how long the path of a socket may be, in bytes: sun_path has
// 104 on the BSDs and macOS and 108 on Linux, with the closing zero.
const longestSocket = 103

// socketFits tells whether clients can be given the folder: its path is short
// enough and has no comma, at which they part a list of hosts.
func socketFits(dir string) bool {
	return !strings.Contains(dir, ",") && len(filepath.Join(dir, fmt.Sprintf(".s.PGSQL.%d", socketPort))) <= longestSocket
}

// makeSocketDir makes the folder of the socket, mode 0700, owned by the server's
// account. It lies beside the cluster; if its path does not fit there, in a new
// temporary folder, and temporary is true.
func makeSocketDir(p place) (dir string, temporary bool, err error) {
	dir = p.file("socket")
	if socketFits(dir) {
		// What a killed run left in it goes; the server of that run
		// is stopped by now.
		if err := os.RemoveAll(dir); err != nil {
			return "", false, err
		}
		if err := os.Mkdir(dir, 0o700); err != nil {
			return "", false, err
		}
		return dir, false, p.who.give(dir)
	}
	for _, parent := range []string{os.TempDir(), "/tmp"} {
		if !p.who.reaches(parent) {
			continue
		}
		dir, err = os.MkdirTemp(parent, "alike-socket-")
		if err != nil {
			continue
		}
		if socketFits(dir) {
			return dir, true, p.who.give(dir)
		}
		os.Remove(dir)
	}
	return "", false, errors.Join(fmt.Errorf("no folder with a path fit for a socket (at most %d bytes, no comma): use another data folder, or set TMPDIR to a short path", longestSocket), err)
}
