"""The process that opens foreign netCDF and AES69 files; started by `foreign.py` and never imported.

Damaged files can crash the library that reads them, and may name other files to read from. So this process reads
only bytes that it is sent, may open no file and no connection any more, and may die. It runs by itself: nothing of
roomsim is imported.

Asked: 8 bytes of length, 8 bytes of the most that its arrays may take, and the file. Answer: 8 bytes of length, JSON
of that length, then the arrays one after the other. With a path as second argument it walks through that one file
instead, which is too large to be sent, and prints JSON.
"""

import json
import os
import signal
import struct
import sys
from contextlib import suppress

import netCDF4
import numpy as np

NUMBERS = "biuf"


def attributes(holder):
    """Attributes that are text or numbers: name -> ["text", …] or ["numbers", type, values]."""
    found = {}
    for name in holder.ncattrs():
        value = holder.getncattr(name)
        if isinstance(value, str):
            found[name] = ["text", value]
        elif isinstance(value, list) and all(isinstance(one, str) for one in value):
            found[name] = ["texts", value]
        elif isinstance(value, (np.ndarray, np.generic)) and value.dtype.kind in NUMBERS:
            found[name] = ["numbers", value.dtype.str, value.tolist()]
    return found


def declared_bytes(file):
    """What all arrays take in memory, as the header says."""
    total = 0
    for variable in file.variables.values():
        size = 1
        for length in variable.shape:
            size *= int(length)
        total += size * (8 if variable.dtype is str else max(np.dtype(variable.dtype).itemsize, 1))
    return total


def contents(file, most):
    """What a file holds: JSON, and the arrays that belong to it."""
    declared = declared_bytes(file)
    if declared > most:
        return {"declared": declared}, []
    blobs, variables = [], {}
    for name, variable in file.variables.items():
        one = {"dims": list(variable.dimensions), "attributes": attributes(variable)}
        if variable.dtype is str:
            values = np.asarray(variable[...], dtype=object)
            one |= {"shape": list(values.shape), "texts": [str(value) for value in values.ravel()]}
        elif isinstance(variable.datatype, np.dtype) and variable.datatype.kind in NUMBERS + "S":
            values = np.ascontiguousarray(variable[...])
            if values.dtype.kind not in NUMBERS + "S":
                continue
            one |= {"shape": list(np.shape(variable[...])), "type": values.dtype.str, "bytes": values.nbytes}
            blobs.append(values.tobytes())
        else:
            continue                      # a type of its own: nothing that roomsim reads
        variables[name] = one
    return {"attributes": attributes(file), "variables": variables}, blobs


def answer(data, most):
    """The answer to one file."""
    try:
        with netCDF4.Dataset("bytes", memory=data) as file:
            file.set_auto_maskandscale(False)
            file.set_auto_chartostring(False)
            said, blobs = contents(file, most)
        packed = json.dumps(said).encode()
    except Exception as error:            # the library raises whatever it meets in a damaged file
        packed, blobs = json.dumps({"error": f"{type(error).__name__}: {error}"[:400]}).encode(), []
    return packed, blobs


def warm_up():
    """Load now what the first file would load: later no file can be opened."""
    file = netCDF4.Dataset("bytes", "w", memory=4096)
    file.createDimension("n", 2)
    file.createVariable("x", "f8", ("n",), zlib=True, shuffle=True, fletcher32=True)[:] = [1.0, 2.0]
    file.createVariable("c", "S1", ("n",))[:] = np.array([b"a", b"b"])
    file.createVariable("t", str, ("n",))[:] = np.array(["ä", "b"], dtype=object)
    file.title = "ä"
    data = bytes(file.close())
    answer(data, 10**6)
    answer(b"no such thing", 10**6)


def shut_in(most):
    """No further file, no connection, no more memory than a file of this size may need (None: as much as there is)."""
    try:
        import resource
    except ImportError:                   # not everywhere
        return
    with suppress(OSError, ValueError, TypeError):
        with open("/proc/self/statm") as statm:
            now = int(statm.read().split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (now + 4 * most + 2**28,) * 2)
    for what in (resource.RLIMIT_NOFILE, resource.RLIMIT_CORE):
        with suppress(OSError, ValueError):
            resource.setrlimit(what, (0, 0))


def walk(path):
    """What a large file declares, once a piece of each of its arrays has been read."""
    try:
        with netCDF4.Dataset(path) as file:
            file.set_auto_maskandscale(False)
            shut_in(None)                 # data that stand in another file cannot be read: that is an error
            attributes(file)
            for variable in file.variables.values():
                attributes(variable)
                if all(variable.shape):
                    variable[(0,) * max(variable.ndim - 1, 0)]
            return {"declared": declared_bytes(file)}
    except Exception as error:            # as above
        return {"error": f"{type(error).__name__}: {error}"[:400]}


def main():
    if len(sys.argv) > 2:
        print(json.dumps(walk(sys.argv[2])))
        return
    signal.signal(signal.SIGINT, signal.SIG_IGN)     # the one that asks decides
    asked, told = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    warm_up()
    shut_in(int(sys.argv[1]))
    while len(head := asked.read(16)) == 16:
        length, most = struct.unpack("<QQ", head)
        data = asked.read(length)
        packed, blobs = answer(data, most)
        del data
        told.write(struct.pack("<Q", len(packed)) + packed)
        for blob in blobs:
            told.write(blob)
        told.flush()


if __name__ == "__main__":
    main()
