#!/usr/bin/env python3
"""Checks a pack of proof by CHECKING.txt alone: a second program beside arcdrift's own.

    check_pack.py PACK [FINGERPRINT]

Prints what is wrong, one sentence a line, and ends with 1; or says that the pack is
sound and ends with 0. Needs Debian's python3-cryptography.
"""
import hashlib
import io
import json
import struct
import sys
import zipfile
import zlib
from datetime import datetime, timezone

from cryptography.exceptions import InvalidSignature
from cryptography.hazmat.primitives.asymmetric.ed25519 import Ed25519PublicKey

AROUND = {"manifest.json", "manifest.sig", "manifest.tsr"}


def signed(public, message, signature):
    try:
        Ed25519PublicKey.from_public_bytes(bytes.fromhex(public)).verify(bytes.fromhex(signature), message)
        return True
    except (InvalidSignature, ValueError):
        return False


def fingerprint(public):
    return hashlib.sha256(bytes.fromhex(public)).hexdigest()[:32]


def archive(files, known_at):
    """The bytes that the files make, by the section on the archive in CHECKING.txt."""
    at = datetime.fromisoformat(known_at[:19]).replace(tzinfo=timezone.utc)
    clock = at.hour << 11 | at.minute << 5 | at.second // 2
    day = (at.year - 1980) << 9 | at.month << 5 | at.day
    out, directory = b"", b""
    for name, content in files:
        head = struct.pack("<HHHHHIIIHH", 20, 1 << 11, 0, clock, day, zlib.crc32(content), len(content), len(content), len(name.encode()), 0)
        directory += b"PK\x01\x02" + struct.pack("<H", 20) + head + bytes(10) + struct.pack("<I", len(out)) + name.encode()
        out += b"PK\x03\x04" + head + name.encode() + content
    end = b"PK\x05\x06" + struct.pack("<HHHHIIH", 0, 0, len(files), len(files), len(directory), len(out), 0)
    return out + directory + end


def read(raw):
    """The files in their order. One whose CRC does not fit is read all the same."""
    zipfile.ZipExtFile._update_crc = lambda self, newdata: None
    with zipfile.ZipFile(io.BytesIO(raw)) as pack:
        return [(i.filename, pack.read(i)) for i in pack.infolist()]


def succession(lines, key):
    """What is wrong with the list of keys."""
    keys = [json.loads(line) for line in lines.decode().splitlines()]
    for k in keys:
        message = "arcdrift key succession\nold %s\nnew %s\nmade %s\n" % (k["after"], k["key"], k["made"])
        k["follows"] = bool(k["vouched"]) and signed(k["after"], message.encode(), k["vouched"])
        if k["because"] == "planned" and not k["follows"]:
            yield "keys.jsonl: a key is not signed by the one before it."
    if not keys or keys[-1]["key"] != key:
        yield "keys.jsonl: the last key is not the one that signed."
    trusted = set()
    for before, k in zip([None] + keys, keys):
        if before and not (k["follows"] and k["after"] == before["key"]):
            trusted = set()
        trusted |= {fingerprint(k["key"]), k["key"]}
    succession.trusted = trusted


def check(raw, wanted=None):
    try:
        listed = read(raw)
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError, ValueError, EOFError, OSError, zlib.error) as e:
        return ["The pack cannot be read: it is cut short or no pack (%s)." % e]
    files = dict(listed)
    if len(files) < len(listed):
        return ["A file is in the pack twice."]
    try:
        manifest = json.loads(files["manifest.json"])
        good = files["manifest.sig"][-1:] == b"\n" and len(files["manifest.sig"]) == 129 and files["manifest.sig"].islower()
        good = good and signed(manifest["key"], files["manifest.json"], files["manifest.sig"].decode().strip())
    except (KeyError, ValueError, TypeError):
        good = False
    if not good:
        return ["manifest.json or manifest.sig was changed: the signature does not fit."]
    wrong = []
    for part in manifest["parts"]:
        content = files.get(part["name"])
        if content is None:
            wrong.append("%s is missing." % part["name"])
        elif len(content) != part["bytes"] or hashlib.sha256(content).hexdigest() != part["sha256"]:
            wrong.append("%s was changed." % part["name"])
    for name in files.keys() - {p["name"] for p in manifest["parts"]} - AROUND:
        wrong.append("%s was put in." % name)
    if wrong:
        return wrong
    wrong += succession(files["keys.jsonl"], manifest["key"])
    if archive(listed, manifest["known_at"]) != raw:
        wrong.append("The archive around the files was changed.")
    if wanted and wanted.replace(" ", "").lower() not in succession.trusted:
        wrong.append("The pack was signed by another key: %s." % fingerprint(manifest["key"]))
    return wrong


def main():
    with open(sys.argv[1], "rb") as f:
        wrong = check(f.read(), sys.argv[2] if len(sys.argv) > 2 else None)
    print("\n".join(wrong) or "The pack is sound.")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
