package pg

// account is the system account the server runs as.
type account struct {
	name string
	self string // name of the account this program runs as; often the same
	uid  int
	gid  int
	drop bool // the server must be started under other credentials than ours
}
