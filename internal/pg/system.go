package pg

import (
	"bufio"
	"fmt"
	"os"
	"path/filepath"
	"strings"
)

// system is what decides how PostgreSQL gets installed.
type system struct {
	goos string
	ids  []string // ID and ID_LIKE of os-release(5), nearest first; Linux only
	root bool
}

func (f *Finder) system() system {
	s := system{goos: f.GOOS, root: isRoot()}
	for _, name := range []string{"etc/os-release", "usr/lib/os-release"} {
		if text, err := os.ReadFile(filepath.Join(f.Root, name)); err == nil {
			s.ids = osIDs(string(text))
			break
		}
	}
	return s
}

// osIDs reads ID and ID_LIKE out of the text of an os-release file.
func osIDs(text string) []string {
	field := map[string]string{}
	lines := bufio.NewScanner(strings.NewReader(text))
	for lines.Scan() {
		if key, value, ok := strings.Cut(strings.TrimSpace(lines.Text()), "="); ok {
			field[key] = strings.Trim(value, `"'`)
		}
	}
	return append(strings.Fields(field["ID"]), strings.Fields(field["ID_LIKE"])...)
}

func (s system) isDebian() bool { return s.family() == "debian" }

// family reduces the many distributions to those whose package tool we know.
func (s system) family() string {
	if s.goos != "linux" {
		return s.goos
	}
	for _, id := range s.ids {
		switch id {
		case "debian", "ubuntu":
			return "debian"
		case "fedora", "rhel", "centos":
			return "fedora"
		case "alpine", "arch", "suse", "opensuse":
			return id
		}
	}
	return ""
}

// command returns the shell command which installs the server of the major
// version, 0 for the system's usual one, or "" if we know none. Names of
// versioned packages: Debian and Alpine as in their archives, Fedora as in the
// archive of the PostgreSQL project (from memory).
func (s system) command(major int) string {
	versioned := func(plain, format string) string {
		if major == 0 {
			return plain
		}
		return fmt.Sprintf(format, major)
	}
	var text string
	switch s.family() {
	case "debian":
		text = "apt-get install -y --no-install-recommends " + versioned("postgresql", "postgresql-%d")
	case "fedora":
		text = "dnf install -y " + versioned("postgresql-server", "postgresql%d-server")
	case "alpine":
		text = "apk add " + versioned("postgresql", "postgresql%d")
	case "arch":
		if major != 0 {
			return "" // carries the newest only
		}
		text = "pacman -S --noconfirm postgresql"
	case "suse", "opensuse":
		text = "zypper install -y " + versioned("postgresql-server", "postgresql%d-server")
	case "darwin":
		return "brew install " + versioned("postgresql@17", "postgresql@%d")
	case "windows":
		return "winget install " + versioned("PostgreSQL.PostgreSQL.17", "PostgreSQL.PostgreSQL.%d")
	default:
		return ""
	}
	if s.root {
		return text
	}
	return "sudo " + text
}
