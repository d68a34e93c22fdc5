package layer

import (
	"net/url"
	"regexp"
	"strings"
)

// IsDatabase tells whether a path is the address of a table in PostGIS and not
// a file's name.
func IsDatabase(path string) bool {
	return strings.HasPrefix(path, "postgres://") || strings.HasPrefix(path, "postgresql://")
}

// HasPassword tells whether a path is a database's address with a password in it.
func HasPassword(path string) bool { return IsDatabase(path) && Shown(path) != path }

var (
	userPassword  = regexp.MustCompile(`^(postgres(?:ql)?://[^/?#@:]*):[^/?#]*@`)
	queryPassword = regexp.MustCompile(`(?i)([?&](?:password|sslpassword)=)[^&#]*`)
)

// Shown is a path as it may be shown and logged: an address without its
// password.
func Shown(path string) string {
	if !IsDatabase(path) {
		return path
	}
	// By pattern and not by parsing: an address that is wrong in itself must not
	// give its password away either.
	path = userPassword.ReplaceAllString(path, "$1@")
	path = queryPassword.ReplaceAllString(path, "${1}...")
	if u, err := url.Parse(path); err == nil && u.User != nil {
		if _, has := u.User.Password(); has {
			u.User = url.User(u.User.Username())
			return u.String()
		}
	}
	return path
}
