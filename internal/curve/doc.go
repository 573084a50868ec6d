/*
Package curve reads and writes measured takes.

A take is one frequency response: one channel of one unit at one seating on the
rig. It comes as a text file whose identity is told by its name or by a manifest,
or as a row of a wide CSV. The package would rather refuse a file than guess: what
can be read in two ways is refused, with the place, the reason and the remedy as
fields of a [Refusal]. A fault never yields part of a curve.

# Text of one response

Accepted by [ReadText]. One row on a line, two or more columns:

	frequency in Hz   level in dB   phase in degrees, optional

The rules:

  - Characters are UTF-8, UTF-16 or Windows-1252 (with it Latin-1). UTF-8 and
    UTF-16 may begin with a byte order mark; UTF-16 without one is recognised.
  - Lines end in CR LF, LF or CR. The last line needs no end. Blank lines, lines of
    delimiters only, and blanks around cells do not matter. No-break, figure and
    thin spaces are blanks.
  - Between cells stands a comma, a semicolon, a tab or a run of blanks, the same
    on all rows. All rows have as many cells, but for empty ones at the end.
  - Numbers are digits with at most one decimal sign, point or comma, the same in
    the whole file; an exponent (1.2e+03) and a sign in front, - or the Unicode
    minus. No unit, no more than 48 characters. Separators between thousands are
    refused, and so are files whose frequencies may have them (all such as 1.250
    beside levels without decimals).
  - Where commas separate cells, a decimal comma needs quotes around the cell:
    "20,5","91,2". Rows such as 20,91,5 without any decimal point are refused,
    unless a head names as many columns or a blank stands beside every comma.
  - A cell may stand in double quotes; a quote in it is doubled. It ends on its line.
  - A line that begins with #, * or ; is a comment, and so is a line that begins with
    a quote unless it is a row of quoted cells. In a file with semicolons a line that
    begins with one but has numbers in the other cells is a row without frequency,
    and refused. Comments that would be rows without their sign are told in a note.
  - Lines of words may stand above the head. They are passed over with a note, unless
    they start like a number or look like a head or a damaged row: begin those with #.
  - Rows rise or fall in frequency throughout. Falling rows are turned round. A row
    that repeats its neighbour in every column is dropped; a frequency with two
    levels is refused. A row at 0 Hz at the lower end is dropped, whatever its level.
  - Every used cell is a finite number: frequency above 0 Hz up to 1 MHz, level within
    ±300 dB, phase within ±1e9 degrees. Phase stands in all rows or in none.
  - At least 2 rows, at most 1 000 000, at most 64 MiB.

A head is the last line of words above the table that names a frequency. No other
line of words stands below it, and it has no more cells than the rows. It gives the
columns, in any order, and their units:

	frequency: Frequency, Freq, f, Frequenz, Fréquence ... in Hz (also when not said) or kHz
	level:     Level, SPL, Magnitude, Pegel, Niveau ...    in dB, dB SPL, dBSPL, dB re 20 µPa
	phase:     Phase ...                                   in degrees (also when not said) or rad

Units stand in brackets, after a slash, underscore or blank, or alone, or on a line
of their own below the names. Level and SPL without a unit are in dB; Magnitude,
Amplitude and Gain have to say it. V, mV, Pa, %, linear, dBV, dBu, dBFS, dB(A) and
the like are refused. Other columns are ignored with a note; two of a kind are
refused. Without a head the columns are frequency, level, phase, and the rest is
ignored. A head in a comment counts when it is the last one above the table, has a
cell for every column and names both frequency and level.

A file is taken for half written, and refused, when the last row has fewer columns
than the first, ends inside a number (1.2e) or a quote, when it holds zero bytes or
half a UTF-16 character, or when its last line has no end and its last number fewer
decimals than the 25 or more above it, which all have as many. An exporter should
write to another name and rename the file when it is complete, and end every line.

# Wide CSV

Accepted by [ReadWide]. A head, then a row per take. Between cells stands a comma, a
semicolon or a tab (the first of tab, semicolon, comma that the head has). Numbers,
quotes, characters and line ends are as above; a line is always one row.

	serial;channel;seating;20;31,5;1k;1,25 kHz;20000 Hz
	A102;left;1;90,1;92,4;94,0;94,2;81,7

Columns are known by name in either case and any order: serial, channel (both
needed), seating, attempt, product, lot, station, operator, measured_at, reason. All
others are frequencies, in Hz or with k, kHz or Hz behind, rising or falling from left
to right; 0 Hz is dropped. Below them stand levels in dB, every cell filled. An
unknown column or a bad frequency refuses the file, a bad row only that row. Comments
(#, *, ;) stand above the head, or below it with fewer cells than the head; a row
whose first cell begins with one of these signs needs quotes around it.

# Manifest

Accepted by [ReadManifest]. The file manifest.csv says which take each file of its
folder holds, and those of all folders below it. It is written like a wide CSV, with
the columns file, serial, channel (needed) and seating, attempt, product, lot,
station, operator, measured_at, reason (as far as known); no other.

	file,serial,channel,seating,measured_at
	monday/0001.txt,A102,left,1,2024-03-04T10:21:00+01:00

file is relative to the manifest's folder, with slashes, and stays inside it. Each file
and each serial, channel, seating and attempt together stands once, unless rig,
operator or moment tell two takes apart. One fault refuses
the manifest; all its faults are told.

# Fields of an identity

	serial       1 to 64 printable characters, no / and no \
	channel      left, right, mono, also l, r, m in either case; or a word of the product
	seating      whole number from 1 to 9999, or empty
	attempt      whole number from 1 to 9999, or empty
	lot          as serial, or empty
	product, station, operator   at most 64 printable characters
	reason       at most 1000 printable characters: cause found or action taken before a retest
	measured_at  2006-01-02T15:04:05+01:00 (RFC 3339), or 2006-01-02 15:04[:05] in the
	             workshop's time zone; give the offset in the hour that autumn repeats

Texts are trimmed and brought to Unicode normal form C.

# Patterns of file names

Accepted by [ParsePattern], such as

	{serial}_{channel}_{seating}.txt
	{lot}/{serial}-{channel}-{date}

A pattern has the fields {serial} {channel} {seating} {attempt} {lot} {product}
{operator} {station} {date}, each at most once, {any} for a part that does not matter,
and other characters, which stand for themselves (ASCII letters in either case). Two
fields need something between them. Slashes make the folders above the file count, as
many as there are slashes. Where the last element has no point, the ending of a text
file is left off the name first.

Only {serial} may hold the sign that separates fields: the fields before it end at the
first such sign, those behind it begin at the last. A_7_left_2.txt is serial A_7 in the
first pattern above. {seating} and {attempt} are digits. {date} is 2006-01-02 or
20060102, which means midnight, or with the time of day 2006-01-02T15-04-05,
2006-01-02_15-04-05, 20060102T150405, 20060102-150405 or 20060102_150405.
*/
package curve
