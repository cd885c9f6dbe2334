package publish

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"
)

// credentials begins the path of a secret that systemd hands over: the folder's place is made anew with
// each start (systemd.exec(5), LoadCredential=).
const credentials = "$CREDENTIALS_DIRECTORY/"

// maxSecret is far above what the longest secret of one line needs, in bytes.
const maxSecret = 4096

// SecretPath gives the path of a file with a secret as the system knows it: $CREDENTIALS_DIRECTORY/NAME
// becomes the credential NAME of this unit, every other path stays as it is.
func SecretPath(path string) (string, error) {
	name, is := strings.CutPrefix(path, credentials)
	if !is {
		return path, nil
	}
	folder := os.Getenv("CREDENTIALS_DIRECTORY")
	if folder == "" {
		return "", fmt.Errorf("%s: this process was given no credentials; add LoadCredential=%s:/path/of/the/file to the unit, or write the file's own path", path, name)
	}
	return filepath.Join(folder, filepath.Base(name)), nil
}

// ReadSecret gives the text of a file that holds one secret, without the line's end. No error tells
// anything of what the file holds.
func ReadSecret(path string) (string, error) {
	real, err := SecretPath(path)
	if err != nil {
		return "", err
	}
	f, err := os.Open(real)
	if err != nil {
		return "", err
	}
	defer f.Close()
	b, err := io.ReadAll(io.LimitReader(f, maxSecret+1))
	text := strings.TrimRight(string(b), "\r\n")
	switch {
	case err != nil:
		return "", err
	case len(b) > maxSecret:
		return "", fmt.Errorf("%s holds more than %d bytes; write the secret alone into it", path, maxSecret)
	case text == "":
		return "", fmt.Errorf("%s: %w; write the secret into it", path, ErrNoSecret)
	}
	return text, nil
}

// ErrNoSecret is wrapped by ReadSecret's error for a file that holds nothing.
var ErrNoSecret = errors.New("the file is empty")
