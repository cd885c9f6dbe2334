package board

import (
	"fmt"
	"io/fs"
	"os"
	osuser "os/user"
	"slices"
	"strconv"
	"strings"
	"syscall"
)

// user is whose rights count: the service's where it is installed, else this process's own.
type user struct {
	name    string
	uid     int
	gids    []int
	missing []string // groups that the service asks for and the board does not have
	gone    bool     // the service's user does not exist
}

func owner(info fs.FileInfo) (uid, gid int) {
	if st, ok := info.Sys().(*syscall.Stat_t); ok {
		return int(st.Uid), int(st.Gid)
	}
	return 0, 0
}

func thisProcess() user {
	u := user{name: "this user", uid: os.Geteuid(), gids: []int{os.Getegid()}}
	if more, err := os.Getgroups(); err == nil {
		u.gids = append(u.gids, more...)
	}
	if known, err := osuser.LookupId(strconv.Itoa(u.uid)); err == nil {
		u.name = known.Username
	}
	return u
}

// subject finds the user of the service in the board's own files (passwd(5), group(5)).
func (b *board) subject() user {
	name := b.service.user
	if name == "" {
		return b.self()
	}
	u := user{name: name, gone: true}
	if name == "root" {
		return user{name: name}
	}
	for _, f := range b.table("etc/passwd", 4) {
		uid, uidErr := strconv.Atoi(f[2])
		gid, gidErr := strconv.Atoi(f[3])
		if f[0] == name && uidErr == nil && gidErr == nil {
			u.uid, u.gids, u.gone = uid, []int{gid}, false
			break
		}
	}
	wanted := b.service.groups
	for _, f := range b.table("etc/group", 4) {
		gid, err := strconv.Atoi(f[2])
		if err != nil {
			continue
		}
		if slices.Contains(wanted, f[0]) || slices.Contains(strings.Split(f[3], ","), name) {
			u.gids = append(u.gids, gid)
		}
	}
	for _, g := range wanted {
		if _, ok := b.group(g); !ok && !slices.Contains(u.missing, g) {
			u.missing = append(u.missing, g)
		}
	}
	return u
}

// table reads a file of lines with colons between their fields, at least so many.
func (b *board) table(file string, fields int) [][]string {
	text, err := b.text(file)
	if err != nil {
		return nil
	}
	var rows [][]string
	for line := range strings.Lines(text) {
		if f := strings.Split(strings.TrimSpace(line), ":"); len(f) >= fields {
			rows = append(rows, f)
		}
	}
	return rows
}

func (b *board) group(name string) (gid int, ok bool) {
	for _, f := range b.table("etc/group", 3) {
		if n, err := strconv.Atoi(f[2]); err == nil && f[0] == name {
			return n, true
		}
	}
	return 0, false
}

// called is a user's or a group's name by its number, from the board's own file; the number where it has none.
func (b *board) called(file string, id int) string {
	for _, f := range b.table(file, 3) {
		if f[2] == strconv.Itoa(id) {
			return f[0]
		}
	}
	return strconv.Itoa(id)
}

// users says whether the service's user and its groups exist: without them it does not start (systemd.exec(5), exit
// codes 216/GROUP and 217/USER).
func (b *board) users() {
	const mend = "run systemd-sysusers, then systemctl restart holdbell"
	switch {
	case b.user.gone:
		b.wrong("user", fmt.Sprintf("the service runs as %s, whom this board does not know: it cannot start", b.user.name), mend)
	case len(b.user.missing) > 0:
		b.wrong("user", fmt.Sprintf("the service cannot start: this board lacks the groups that it wants: %s", strings.Join(b.user.missing, ", ")), mend)
	case b.service.user != "":
		b.ok("user", fmt.Sprintf("the service runs as %s", b.user.name))
	case b.user.uid == 0:
		b.look("user", "no service is installed, so the rights looked at are those of root, who may do anything", "run this check as the user that runs the daemon")
	default:
		b.ok("user", fmt.Sprintf("no service is installed: the rights looked at are those of %s", b.user.name))
	}
}

// may reports whether the user may use a file by its mode: bits of read 4, write 2, enter 1 (chmod(2)).
func (b *board) may(info fs.FileInfo, bits fs.FileMode) bool {
	uid, gid := b.owner(info)
	mode := info.Mode().Perm()
	switch {
	case b.user.uid == 0 && !b.user.gone:
		return true
	case uid == b.user.uid && !b.user.gone:
		return mode>>6&bits == bits
	case slices.Contains(b.user.gids, gid):
		return mode>>3&bits == bits
	}
	return mode&bits == bits
}

// owned is who a file belongs to, in words.
func (b *board) owned(info fs.FileInfo) string {
	uid, gid := b.owner(info)
	return fmt.Sprintf("owner %s, group %s, mode %04o", b.called("etc/passwd", uid), b.called("etc/group", gid), info.Mode().Perm())
}
