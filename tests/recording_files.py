"""Recordings built byte by byte from the published layouts, and the way that tests read them.

The builders share no code with the readers.

Sources: header(5), signal(5) and annot(5) of the WFDB Applications Guide; Kemp 1992 and 2003
for EDF and EDF+; the published BDF layout (24 bits, low byte first).
"""

import struct

import numpy as np
import wfdb

from icpcohort import recordings

EDF_WIDTHS = {"label": 16, "transducer": 80, "unit": 8, "pmin": 8, "pmax": 8, "dmin": 8}
EDF_WIDTHS |= {"dmax": 8, "prefilter": 80, "n": 8, "reserved": 32}
MAGIC = {"edf": b"0       ", "bdf": b"\xffBIOSEMI"}


def edf(signals, records, *, format="edf", kind="", record_s="1", n_records=None):
    """Build a file; `records` holds one list of parts a record, numbers or bytes."""
    main = [" " * 160, "01.01.0101.01.01", str(256 * (1 + len(signals))).ljust(8)]
    main += [kind.ljust(44), str(len(records) if n_records is None else n_records).ljust(8)]
    main += [record_s.ljust(8), str(len(signals)).ljust(4)]
    rows = [s.get(name, "").ljust(width) for name, width in EDF_WIDTHS.items() for s in signals]
    parts = [p if isinstance(p, bytes) else numbers(p, format) for r in records for p in r]
    return MAGIC[format] + "".join(main + rows).encode("latin-1") + b"".join(parts)


def numbers(values, format):
    if format == "edf":
        return np.asarray(values, "<i2").tobytes()
    return b"".join(int(v).to_bytes(3, "little", signed=True) for v in values)


def edf_signal(label, unit, n, *, physical=(-100, 100), digital=(-1000, 1000)):
    limits = {"pmin": physical[0], "pmax": physical[1], "dmin": digital[0], "dmax": digital[1]}
    return {"label": label, "unit": unit, "n": str(n)} | {k: f"{v}" for k, v in limits.items()}


def notes_signal(n_bytes, *, format="edf"):
    width = 2 if format == "edf" else 3
    limits = (-(2**15), 2**15 - 1) if format == "edf" else (-(2**23), 2**23 - 1)
    label = f"{format.upper()} Annotations"
    return edf_signal(label, "", n_bytes // width, physical=(-1, 1), digital=limits)


def lists(*tals, n_bytes):
    """Fill the annotations of one record; each list is what stands before its zero."""
    return b"".join(t.encode() + b"\0" for t in tals).ljust(n_bytes, b"\0")


def packed_212(a, b):
    a, b = a & 0xFFF, b & 0xFFF
    return bytes([a & 0xFF, (a >> 8) | ((b >> 8) << 4), b & 0xFF])


def packed_310(a, b, c):
    a, b, c = a & 0x3FF, b & 0x3FF, c & 0x3FF
    return struct.pack("<HH", (a << 1) | ((c & 0x1F) << 11), (b << 1) | ((c >> 5) << 11))


def packed_311(a, b, c):
    return struct.pack("<I", (a & 0x3FF) | (b & 0x3FF) << 10 | (c & 0x3FF) << 20)


def differences(values, *, initial):
    return np.diff(values, prepend=initial).astype("i1").tobytes()


def packed(values, fmt):
    """Pack numbers in one of the formats without compression (signal(5))."""
    values = [int(v) for v in values]
    if fmt in {"212", "310", "311"}:
        pack, n = {
            "212": (packed_212, 2),
            "310": (packed_310, 3),
            "311": (packed_311, 3),
        }[fmt]
        filled = values + [0] * (-len(values) % n)
        return b"".join(pack(*filled[i : i + n]) for i in range(0, len(filled), n))
    if fmt == "24":
        return b"".join(v.to_bytes(3, "little", signed=True) for v in values)
    if fmt in {"80", "160"}:
        half, kind = {"80": (2**7, "u1"), "160": (2**15, "<u2")}[fmt]
        return (np.array(values) + half).astype(kind).tobytes()
    kind = {"16": "<i2", "32": "<i4", "61": ">i2"}[fmt]
    return np.array(values).astype(kind).tobytes()


def annotation_words(*marks):
    """Build an annotation file of (samples since the one before, type, note) (annot(5))."""
    data = b""
    for step, kind, note in marks:
        if step > 1023:
            data += struct.pack("<HHH", 59 << 10, step >> 16, step & 0xFFFF)
            step = 0
        data += struct.pack("<H", kind << 10 | step)
        if note:
            text = note.encode()
            data += struct.pack("<H", 63 << 10 | len(text)) + text + b"\0" * (len(text) % 2)
    return data + b"\0\0"


def wfdb_of_one(folder, fmt, data, n, *, scale="1(0)/mmHg", spf=""):
    (folder / "one.dat").write_bytes(data)
    path = folder / "one.hea"
    path.write_text(f"one 1 1 {n}\none.dat {fmt}{spf} {scale} 12 0 0 0 0 ICP\n")
    return path


BITS = {"16": 16, "24": 24, "32": 32, "61": 16, "80": 8, "160": 16, "212": 12, "310": 10}
BITS |= {"311": 10, "508": 8, "516": 16, "524": 24}


def drawn(fmt, shape):
    """Return numbers over the whole range of a format, invalid codes among them."""
    half = 2 ** (BITS[fmt] - 1)
    values = np.random.default_rng(int(fmt)).integers(-half, half, shape)
    values[:: max(1, shape[0] // 7)] = -half
    return values


def expected(values, fmt, *, gain=1.0, baseline=0):
    invalid = values == -(2 ** (BITS[fmt] - 1))
    return np.where(invalid, np.nan, (values - baseline) / gain)


def write_by_library(folder, name, columns, fmt, *, per_frame=None, gain=2.0, fs_hz=10):
    """Write columns by name with the wfdb library: {name: samples}."""
    n = len(columns)
    record = wfdb.Record(
        record_name=name,
        n_sig=n,
        fs=fs_hz,
        sig_len=len(next(iter(columns.values()))) // (per_frame or [1])[0],
        file_name=[f"{name}.dat"] * n,
        fmt=[fmt] * n,
        samps_per_frame=per_frame or [1] * n,
        adc_gain=[gain] * n,
        baseline=[0] * n,
        units=["mmHg"] * n,
        sig_name=list(columns),
        adc_zero=[0] * n,
        adc_res=[BITS[fmt]] * n,
        init_value=[int(v[0]) for v in columns.values()],
        block_size=[0] * n,
        e_d_signal=[np.asarray(v, np.int64) for v in columns.values()],
    )
    record.checksum = record.calc_checksum(expanded=True)
    record.wrsamp(expanded=True, write_dir=str(folder))
    return folder / f"{name}.hea"


def pressures(*, icp_aliases=("ICP",), abp_aliases=("ABP",), **listed):
    """Return what a study wants of ICP and ABP; `listed` stands in its recordings.csv."""
    return [
        recordings.Wanted(
            signal,
            listed.get(f"{signal}_channel"),
            listed.get(f"{signal}_unit"),
            aliases=aliases,
            to_unit="mmHg",
        )
        for signal, aliases in (("icp", icp_aliases), ("abp", abp_aliases))
    ]


def describe(path, format, **options):
    values = dict.fromkeys(("icp_channel", "abp_channel", "icp_unit", "abp_unit")) | options
    return recordings.describe(
        path, format=format, timing=recordings.Timing(["t_s"]), wanted=pressures(**values)
    )


def chunks(path, format, *, chunk_s=600.0):
    about = describe(path, format)
    return list(
        recordings.read_chunks(path, about, timing=recordings.Timing(["t_s"]), chunk_s=chunk_s)
    )


def joined(chunks, role="icp"):
    return np.concatenate([chunk.samples[role] for chunk in chunks])


def refusal(path, format):
    """Return the reason and the words with which a recording is refused."""
    try:
        chunks(path, format)
    except recordings.RecordingError as error:
        return error.reason, error.detail
    raise AssertionError(f"{path.name} was read")
