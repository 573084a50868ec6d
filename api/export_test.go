package api

// ServeWith lets tests serve with limits of their own.
var ServeWith = serve
