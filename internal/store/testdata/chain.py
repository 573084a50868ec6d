# Hashes of a small journal, by Python's hashlib and struct alone: the form is that of
# internal/store/chain.go and of PostgreSQL's binary records.
# Run with: python3 chain.py > chain.txt
import hashlib, struct, datetime

def framed(*fields):
    out = b""
    for f in fields:
        b = f.encode("utf-8")
        out += str(len(b)).encode() + b":" + b + b","
    return hashlib.sha256(out)

def micros(t, epoch):
    return (t - epoch) // datetime.timedelta(microseconds=1)

utc = datetime.timezone.utc
unix, pg = datetime.datetime(1970, 1, 1, tzinfo=utc), datetime.datetime(2000, 1, 1, tzinfo=utc)
at = datetime.datetime(2026, 9, 7, 8, 0, 0, 123456, tzinfo=utc)

def record(*columns):  # (type's oid, bytes or None)
    out = struct.pack(">i", len(columns))
    for oid, data in columns:
        out += struct.pack(">I", oid)
        out += struct.pack(">i", -1) if data is None else struct.pack(">i", len(data)) + data
    return hashlib.sha256(out).hexdigest()

text = lambda s: (25, s.encode("utf-8"))
when = lambda t: (1184, struct.pack(">q", micros(t, pg)))
lot = record(text("a"), text("L1"), text("p"), when(at))
unit = record(text("a"), text("U1"), text("p"), text("L1"), (20, None), when(at))
print("lots L1", lot)
print("units U1", unit)

covers = framed("lots", "L1", lot, "units", "U1", unit).hexdigest()
first = framed("alike journal 1", "", "a", "1", str(micros(at, unix)), "Zoë", "test", "begin", "U1", "3:a,b", '{"a": [1.50, "x"], "b": 1}', covers).hexdigest()
second = framed("alike journal 1", first, "a", "2", str(micros(at, unix)), "", "", "note", "", "", "{}", "").hexdigest()
print("entry 1", first)
print("entry 2", second)
