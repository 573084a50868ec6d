// Package pg runs a PostgreSQL server of our own for one data folder, so that
// nobody has to set up a database by hand.
//
// [Start] goes through these steps:
//
//  1. take the lock of the data folder; a second program gets an [InUseError];
//  2. choose the account the server runs as (PostgreSQL refuses root) and a
//     place for the cluster which that account can reach;
//  3. find server binaries of the cluster's version ([Finder]), or install them
//     when the caller allows it ([Install]);
//  4. stop whatever an earlier, killed run left on the cluster;
//  5. create the cluster under a temporary name and rename it when complete;
//  6. start the server in a process group of its own, held by a leash: a small
//     process that stops the server when this program dies, however it dies;
//  7. wait until the server answers and make sure our database exists.
//
// # Who may connect
//
// On Unix the server listens on no network address, only on a socket in a
// folder of mode 0700, and it admits by peer credentials: the account it runs
// as, and the account which started it, both as the database role "alike". No
// password exists. On Windows it listens on 127.0.0.1 at a random port and asks
// for a random password, kept in a file beside the cluster.
//
// # As root
//
// The server runs as the owner of the cluster when there is one already, else as
// the owner of the data folder if that is not root, else as the first of the
// accounts postgres, _postgres, alike and nobody which the machine knows. (Packages of PostgreSQL bring an account of the first or second
// name; nobody is the last resort because other services may share it.) If that
// account cannot reach the data folder, say below a home of mode 0700, the
// cluster is made in /var/lib/alike, and the file postgres.at in the data folder
// tells where. Root writes nothing inside folders that belong to the account
// except where a comment says so, since a link planted there would be followed.
//
// # Files in the data folder
//
//	postgres/         the cluster; its log is postgres/server.log
//	postgres.socket/  the socket, while running
//	postgres.lock     held by the running program
//	postgres.owner    which program that is, and the database's URL
//	postgres.hba      who may connect, written anew at each start
//	postgres.ident    which system accounts count as the role, likewise
//	postgres.at       where the cluster is, if not here
//	postgres.password only where passwords are used
package pg
