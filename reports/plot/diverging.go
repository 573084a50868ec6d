package plot

// Diverging are the colours of a number that may lie on either side of a middle, from
// far below to far above it: the eleven-class purple to orange scheme of ColorBrewer,
// which is made for colour-blind readers.
//
// Source: Harrower and Brewer, "ColorBrewer.org" (Cartographic Journal 40 (2003)
// 27-37). Copyright 2002 Cynthia Brewer, Mark Harrower, and The Pennsylvania State
// University, Apache License, version 2.0.
var Diverging = [...]string{
	"#2D004B", "#542788", "#8073AC", "#B2ABD2", "#D8DAEB", "#F7F7F7", "#FEE0B6", "#FDB863", "#E08214", "#B35806", "#7F3B08",
}
