package curve

import (
	"path/filepath"
	"strings"
)

// Unrelated reports whether a file of this name lies beside measurements and is left
// alone: hidden files, documents, pictures, and files that another program says it is
// still writing (.tmp, .part, .partial, a tilde).
func Unrelated(name string) bool { return isUnrelated(filepath.Base(name)) }

// IsText reports whether a file of this name is read as a text: by its ending.
func IsText(name string) bool { return isTextEnding(filepath.Ext(name)) }

// IsWide reports whether a file is a wide CSV, which holds a take per row: by the
// ending of its name and its head.
func IsWide(name string, data []byte) bool {
	ending := strings.ToLower(filepath.Ext(name))
	return (ending == ".csv" || ending == ".tsv") && isWideData(data)
}
