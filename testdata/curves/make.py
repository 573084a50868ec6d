#!/usr/bin/python3
"""Writes good/, bad/ and reference.csv: run it in this folder.

Every file is invented; each imitates one habit of exports in general. The good
texts all hold the response of reference.csv. What must come of the files is
written by hand in good.csv and expect.csv.
"""
import math
import os

N = 40
hz = ["%.2f" % (20 * 1000 ** (i / (N - 1))) for i in range(N)]
db = ["%.2f" % (90 + 5 * math.sin(0.31 * i) - 0.004 * i * i - (i > 34) * 1.7 * (i - 34)) for i in range(N)]
ph = ["%.1f" % (120 * math.cos(0.17 * i) - 3 * i) for i in range(N)]
RISE = list(zip(hz, db, ph))


def put(folder, name, text, encoding="utf-8", start=b""):
    os.makedirs(folder, exist_ok=True)
    with open(os.path.join(folder, name), "wb") as f:
        f.write(start + (text if isinstance(text, bytes) else text.encode(encoding)))


def comma(s):
    return s.replace(".", ",")


def table(rows, delim, end="\n", change=str):
    return "".join(delim.join(change(c) for c in r) + end for r in rows)


two = [r[:2] for r in RISE]
put(".", "reference.csv", "hz,db,phase\n" + table(RISE, ","))

good = lambda name, text, *rest: put("good", name, text, *rest)
good("plain-comma.csv", "Frequency (Hz),Level (dB)\n" + table(two, ","))
good("semicolon-decimal-comma.txt", "Frequenz [Hz];Pegel [dB];Phase [deg]\r\n" + table(RISE, ";", "\r\n", comma))
good("tab-decimal-comma.txt", table(RISE, "\t", "\n", comma))
good("blanks-decimal-comma.dat", "".join("%10s  %8s\n" % (comma(f), comma(l)) for f, l in two))
good("star-comments.txt", "* rig 2, swept from 20 Hz to 20 kHz\n*\n* Freq(Hz)  SPL(dB)  Phase(degrees)\n" + table(RISE, " "))
good("comma-and-blank.csv", table(RISE, ", "))
good("quoted-cells.csv", '"a remark in quotes, with a comma"\n' + table(RISE, ",", "\n", lambda c: '"%s"' % c))
good("quoted-decimal-comma.csv", '"Frequency","SPL (dB)"\n' + table(two, ",", "\n", lambda c: '"%s"' % comma(c)))
good("utf8-mark.csv", "; exported on a Monday\n; second remark\nFrequency;dB SPL\n" + table(two, ";"), "utf-8", b"\xef\xbb\xbf")
good("utf16le-mark.txt", "Freq [Hz]\tLevel [dB]\r\n" + table(two, "\t", "\r\n"), "utf-16-le", b"\xff\xfe")
good("utf16be-mark.txt", "Freq [Hz]\tLevel [dB]\r\n" + table(two, "\t", "\r\n"), "utf-16-be", b"\xfe\xff")
good("utf16le-unmarked.txt", table(two, "\t", "\r\n"), "utf-16-le")
good("windows1252.txt", "Fréquence (Hz);Niveau (dB re 20 µPa);Phase (°)\r\n" + table(RISE, ";", "\r\n", comma), "cp1252")
good("lone-cr.txt", "# old line ends\r" + table(two, " ", "\r"))
good("kilohertz.tsv", "f/kHz\tL/dB\n" + table([("%.5f" % (float(f) / 1000), l) for f, l in two], "\t"))
good("falling.csv", "Frequency,Level\n" + table(two[::-1], ","))
good("zero-hertz.csv", "Frequency (Hz),SPL (dB),Phase (deg)\n0.00,-inf,0.0\n" + table(RISE, ","))
good("falling-to-zero.csv", table(two[::-1], ";") + "0;-Infinity\n")
good("radians.txt", "Frequency\tLevel\tPhase [rad]\n" + table([(f, l, repr(math.radians(float(p)))) for f, l, p in RISE], "\t"))
good("trailing-delimiter.csv", "Frequency;Level;\n\n" + table([(f, l, "  ") for f, l in two], ";") + "\n;;\n\n")
good("unicode-minus.txt", table([("\u00a0" + f, l, p.replace("-", "\u2212") + "\u00a0") for f, l, p in RISE], "\t"))
good("level-first.csv", "SPL dB;Phase deg;Coherence;Freq Hz\n" + table([(l, p, "1.0", f) for f, l, p in RISE], ";"))
good("extra-columns.txt", table([(f, l, p, "ok", "0.01") for f, l, p in RISE], "\t"))
good("repeated-rows.txt", table(two[:5] + two[4:20] + two[19:], " "))
good("exponents.asc", "".join("%s %s\n" % tuple("%.6E" % float(c) for c in r) for r in two))
good("two-line-head.txt", "Frequency;Level;Phase\nHz;dB;deg\n" + table(RISE, ";"))
good("titles.txt", "Response of the left ear\nOperator: three\nFrequency   Level\n" + table(two, "   "))
good("no-last-end.txt", table(two, ",")[:-1])
good("double-ends.txt", table(two, ",", "\r\r\n"))
good("commented-rows.txt", "# 10;80\n" + table(two[:7], ";") + "#60;80\n" + table(two[7:], ";"))
good("two-points.txt", "\n".join(" ".join(r) for r in (two[0], two[-1])) + "\n")

heads = ["20", "31,5", "50 Hz", "1k", "1,25 kHz", "20000"]
good("wide-semicolon.csv", "Serial;Channel;Seating;" + ";".join(heads) + "\nA102;L;1;90,1;92,4;93;94,25;-94,2;81,7\n"
     "A102;R;1;90,2;92,5;93;94,5;-94,1;81,6\n")
good("wide-comma.csv", "# two units\nmeasured at,20,25,reason,serial,channel\n2024-03-04T10:21:00+01:00,90.5,91.25,,A 7,mono\n"
     '2024-03-04 10:22,90.5,-1,"glue, redone",A 8,mono\n')
good("wide-falling.tsv", "lot\tserial\tchannel\t40\t20\t0\nL1\tA1\tleft\t91\t90\t-inf\n")
good("manifest-full.csv", "file,serial,channel,seating,attempt,product,lot,station,operator,measured_at,reason\n"
     "a/1.txt,A102,L,1,1,Open 1,L7,rig 2,three,2024-03-04T10:21:00+01:00,\n"
     './a/2.txt,A102,R,1,1,Open 1,L7,rig 2,three,2024-03-04 10:22:05,"pad, reseated"\n')
good("manifest-short.csv", "Channel;File;Serial\nmono;x.txt;7\n# the rest follows\n")

bad = lambda name, text, *rest: put("bad", name, text, *rest)
head = "Frequency (Hz),Level (dB)\n"
body = table(two, ",")
lines = body.splitlines(True)


def damaged(at, line, start=head):
    return start + "".join(lines[:at]) + line + "\n" + "".join(lines[at + 1:])


bad("empty.txt", "")
bad("only-blanks.txt", "\ufeff \r\n\t\n\n")
bad("only-comments.txt", "# nothing\n* here\n")
bad("one-point.txt", "20 90\n")
bad("one-column.txt", table([(f,) for f in hz], ""))
bad("ambiguous-four.csv", "1,2,3,4\n2,2,3,5\n3,2,3,6\n")
bad("ambiguous-three.csv", "20,91,5\n25,92,1\n31,92,7\n")
bad("thousands-dot.csv", "Frequency;Level\n" + "500,0;91,2\n" + "1.234,5;91,4\n2.000,0;91,0\n")
bad("thousands-blank.txt", "".join("%s %s\n" % r for r in [("800", "90.0"), ("900", "91.0"), ("1 000", "92.0"), ("1 250", "92.5")]))
bad("thousands-nobreak.txt", "800;90.0\n900;91.0\n1\u00a0000;92.0\n")
bad("thousands-maybe.csv", "1.000;90\n1.250;91\n2.000;92\n")
bad("thousands-apostrophe.txt", "800;90.0\n1'000;91.0\n")
bad("mixed-signs.txt", "20.5;91.2\n25.5;91,4\n31.5;91.1\n")
bad("letter-o.csv", damaged(4, "4O.12,90.5"))
bad("level-word.csv", damaged(7, "60.00,loud"))
bad("nan-level.csv", damaged(3, "35.00,NaN"))
bad("inf-level.csv", damaged(3, "35.00,-inf"))
bad("nan-first.csv", "NaN,90.1\n" + body)
bad("old-inf.csv", damaged(3, "35.00,-1.#INF"))
bad("empty-level.csv", damaged(5, "48.41,"))
bad("empty-frequency.csv", damaged(5, ",91.0"))
bad("empty-frequency-semicolon.csv", "20;90,1\n25;90,2\n;90,3\n40;90,4\n")
bad("negative-frequency.csv", head + "-20,90\n" + body)
bad("zero-inside.csv", damaged(6, "0,91.0"))
bad("out-of-order.csv", damaged(10, "20.50,91.0"))
bad("two-sweeps.csv", body + body)
bad("repeated-other-level.csv", damaged(10, lines[9].split(",")[0] + ",55.00"))
bad("level-volts.csv", "Frequency (Hz),Level (V)\n" + body)
bad("level-pascal.txt", "Freq[Hz]\tPressure level [Pa]\n" + table(two, "\t"))
bad("level-dbv.csv", "Hz;dBV\n" + table(two, ";"))
bad("level-dbu.csv", "Hz;Level dBu\n" + table(two, ";"))
bad("level-percent.csv", "Frequency;Level (%)\n" + table(two, ";"))
bad("level-linear.csv", "Frequency,Magnitude (linear)\n" + body)
bad("level-no-unit.csv", "Frequency,Magnitude\n" + body)
bad("level-weighted.csv", "Frequency;SPL dB(A)\n" + table(two, ";"))
bad("comment-head-volts.txt", "# Freq(Hz) Level(mV)\n" + table(two, " "))
bad("frequency-log.csv", "log Frequency;Level (dB)\n" + table(two, ";"))
bad("phase-cycles.csv", "Frequency;Level;Phase (cycles)\n" + table(RISE, ";"))
bad("two-levels.csv", "Frequency;Left (dB);Right (dB)\n" + table([(f, l, l) for f, l in two], ";"))
bad("which-level.csv", "Frequency;Left;Right\n" + table([(f, l, l) for f, l in two], ";"))
bad("no-frequency-head.csv", "Seconds;Level\n" + table(two, ";"))
bad("phase-gap.csv", "".join(",".join(r) + "\n" for r in RISE[:6]) + "41.20,90.0,\n" + "".join(",".join(r) + "\n" for r in RISE[9:]))
bad("cut-row.csv", head + body[:-15] + "20000")
bad("cut-row-ended.csv", head + body + "21000.00\n")
bad("cut-number.txt", table(two, " ")[:-1] + "\n" + "21000.00 1.2e")
bad("cut-digits.csv", head + body[:-2])
bad("cut-quote.csv", table(two[:9], ",", "\n", lambda c: '"%s"' % c) + '"60.00","9')
bad("cut-utf16.txt", table(two, "\t").encode("utf-16-le")[:-1], "", b"\xff\xfe")
bad("zero-bytes.txt", body[:200] + "\0" * 300)
bad("row-in-quotes.csv", "20;90\n25;91\n\"31,5;92\"\n40;93\n")
bad("text-below.txt", table(two, " ") + "End of data\n")
bad("joined-rows.csv", damaged(5, lines[5].strip() + "," + lines[6].strip()))
bad("joined-first-rows.txt", table(RISE, " ").replace("\n", " ", 1))
bad("damaged-first-row.txt", "Left ear\nz0.00 90.00\n" + table(two[1:], " "))
bad("broken-head.csv", "Frequency;Lev\nel (V)\n" + table(two, ";"))
bad("joined-head.csv", "Frequency;Level 20.00;90.00\n" + table(two[1:], ";"))
bad("picture.txt", b"\x89PNG\r\n\x1a\n\0\0\0\rIHDR\0\0\0\x10")
bad("workbook.csv", b"PK\x03\x04\x14\0\x06\0\x08\0\0\0!\0")
bad("recording.txt", b"RIFF\x24\x08\0\0WAVEfmt ")
bad("noise.dat", bytes((i * 73 + i * i) % 256 for i in range(400)))
bad("page.txt", "<!DOCTYPE html><title>20 90</title>\n")
bad("huge-exponent.txt", "20 90\n1e999 91\n")
bad("megahertz.txt", "Frequency (kHz) Level (dB)\n20 90\n25 91\n20000 91\n")
bad("level-too-high.txt", "20 90\n25 91000\n")
bad("wide-as.txt", "serial;channel;20;25\nA1;left;90;91\n")
bad("unclosed-quote.csv", '20,90\n"25,91\n31,92\n40,93\n')

bad("wide-no-serial.csv", "channel,20,25\nleft,90,91\n")
bad("wide-typo.csv", "serial,channel,seeting,20,25\nA1,left,1,90,91\n")
bad("wide-unsorted.csv", "serial,channel,20,25,31,5\nA1,left,90,91,92,93\n")
bad("wide-thousands.csv", "serial;channel;1.000;1.250;2.000\nA1;left;90;91;92\n")
bad("wide-rows.csv", "serial;channel;seating;20;25\n"
    "A1;left;1;90,1;91,1\n"   # 2 good
    ";left;1;90,1;91,1\n"     # 3 no serial
    "A2;;1;90,1;91,1\n"       # 4 no channel
    "A3;left;one;90,1;91,1\n"  # 5 seating
    "A4;left;1;90,1;\n"       # 6 empty level
    "A5;left;1;90,1;NaN\n"    # 7
    "A6;left;1;90,1\n"        # 8 too few
    "A1;left;1;90,4;91,1\n"   # 9 repeated take
    "A7;left;1;90.1;91,1\n"   # 10 other sign
    "A/8;left;1;90,1;91,1\n"  # 11 path
    "A9;left;1;90,1;91,1;5\n"  # 12 too many
    "#B1;left;1;90,1;91,1\n"  # 13 row or comment
    "B2;left;1;90,1;91,1\n"   # 14 good
    "B3;left;1;90,1;9")       # 15 good: may be whole, 5 levels are too few to tell
bad("wide-cut.csv", "serial,channel," + ",".join(hz) + "\nA1,left," + ",".join(db) + "\nA2,left," + ",".join(db)[:-1])
bad("wide-half.csv", "serial,channel,20,25\nA1,left,90,91\nA2,le")

bad("manifest-typo.csv", "file,serial,chanel\na.txt,A1,left\n")
bad("manifest-no-file.csv", "serial,channel\nA1,left\n")
bad("manifest-faults.csv", "file,serial,channel,seating,measured_at\n"
    "a.txt,A1,left,1,\n"
    "a.txt,A1,right,1,\n"          # 3 file twice
    "b.txt,A1,left,1,\n"           # 4 take twice
    "../c.txt,A2,left,1,\n"        # 5
    "/etc/c.txt,A2,left,2,\n"      # 6
    "x\\c.txt,A2,left,3,\n"        # 7
    "x/../../c.txt,A2,left,4,\n"   # 8
    "C:/c.txt,A2,left,5,\n"        # 9
    "d.txt,,left,1,\n"             # 10
    "e.txt,A3,left,0,\n"           # 11
    "f.txt,A3,left,1,yesterday\n"  # 12
    "g.txt,A3,left,2,2024-03-31 02:30\n"  # 13 skipped in spring
    "manifest.csv,A4,left,1,\n"    # 14
    "h.txt,A\x07,left,1,\n"        # 15
    + "i.txt," + "A" * 65 + ",left,1,\n"  # 16
    "x/,A4,left,2,\n"              # 17
    "j.txt,A5,left\n")             # 18
bad("manifest-twice.csv", "file,serial,Serial,channel\na.txt,A1,A1,left\n")
