#!/usr/bin/env python3
"""Sends results to receivers that are not ours: DCMTK's storescp, Orthanc (C-STORE and STOW-RS), small HL7 and FHIR listeners.

Usage: sending_receivers.py SIDEROLOG   The results are those of `siderolog demo`, made here. Shown: a receiver that is
down, slow, refuses one kind, or breaks off in the middle loses nothing and gets nothing twice under another UID, and
the outbox drains when it returns; the service sends by itself what may leave, and nothing else. Orthanc is used where
Debian's package is installed, otherwise its part says SKIPPED. Ends with `N passed, N failed`.
"""

import base64
import http.server
import json
import os
import shutil
import signal
import socket
import subprocess
import sys
import tempfile
import threading
import time
import urllib.request
from pathlib import Path

import pydicom

SIDEROLOG = sys.argv[1] if len(sys.argv) > 1 else os.environ["SIDEROLOG"]
PASSED, FAILED = 0, []
SR, ESR = "1.2.840.10008.5.1.4.1.1.88.34", "1.2.840.10008.5.1.4.1.1.88.22"
PM = "1.2.840.10008.5.1.4.1.1.30"
ARCHIVE = {"structured_report", "roi", "excluded", "r2star_map", "qc_capture"}


def check(what, good, detail=""):
    global PASSED
    if good:
        PASSED += 1
    else:
        FAILED.append(f"{what} {detail}")
        print(f"FAILED: {what} {detail}", flush=True)


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


def listening(port, seconds=20.0):
    end = time.time() + seconds
    while time.time() < end:
        with socket.socket() as s:
            if s.connect_ex(("127.0.0.1", port)) == 0:
                return True
        time.sleep(0.1)
    return False


def end(process):
    if process.poll() is None:
        process.terminate()
        try:
            process.wait(10)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


class Storescp:
    """DCMTK's storage provider; what it wrote lies in `folder`."""

    def __init__(self, root, *options, port=None):
        self.port = port or free_port()
        self.folder = Path(tempfile.mkdtemp(dir=root))
        command = ["storescp", "--output-directory", str(self.folder), "--unique-filenames", *options, str(self.port)]
        self.process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        listening(self.port)

    def objects(self):
        found = []
        for path in sorted(self.folder.iterdir()):
            try:
                found.append(pydicom.dcmread(path))
            except Exception:  # a file that was broken off
                continue
        return found

    def uids(self):
        return sorted(o.SOPInstanceUID for o in self.objects())

    def stop(self):
        end(self.process)


class Site:
    def __init__(self, root, destinations, base):
        self.root = Path(tempfile.mkdtemp(dir=root))
        self.outbox = self.root / "outbox"
        shutil.copytree(base, self.outbox)
        self.file = self.root / "site.yaml"
        self.write(destinations)

    def write(self, destinations):
        text = "sending: {first_wait_s: 0.2, longest_wait_s: 1}\ndestinations:\n"
        self.file.write_text(text + "".join(f"  - {json.dumps(d)}\n" for d in destinations))

    def results(self):
        return sorted(p.parent for p in self.outbox.glob("*/*/result.json"))

    def send(self, result, *more):
        done = subprocess.run([SIDEROLOG, "send", str(result), "--site", str(self.file), "--json", *more],
                              capture_output=True, text=True, timeout=300)
        rows = json.loads(done.stdout.splitlines()[-1])["shipments"] if done.stdout.strip() else []
        return done.returncode, rows, done.stderr

    def drain(self, result, tries=20):
        for _ in range(tries):
            status, rows, _ = self.send(result)
            if all(row["state"] in ("delivered", "refused") for row in rows):
                return status, rows
        return status, rows


def own(result):
    """UIDs of the result's objects by class, and its archive objects' files."""
    document = json.loads((result / "result.json").read_text())
    files = {p: f for p, f in document["files"].items() if f.endswith(".dcm")}
    return {p: pydicom.dcmread(result / f) for p, f in files.items()}


def plain(dataset):
    """Values alone: in implicit VR the representation of pixels is not told."""
    def bare(value):
        if isinstance(value, dict):
            return {k: bare(v) for k, v in value.items() if k != "vr"}
        return [bare(v) for v in value] if isinstance(value, list) else value
    return bare(dataset.to_json_dict())


def demo(root):
    folder = Path(root) / "demo"
    done = subprocess.run([SIDEROLOG, "demo", "--dir", str(folder)], capture_output=True, text=True, timeout=600)
    assert done.returncode == 0, done.stderr
    return folder / "outbox"


def storescp_parts(root, outbox):
    # All kinds, both ways of proposing.
    for option in ["--prefer-little", "--implicit"]:
        archive = Storescp(root, option)
        site = Site(root, [{"name": "archive", "c_store": {"address": f"127.0.0.1:{archive.port}", "called": "A"}}], outbox)
        result = site.results()[0]
        status, rows, error = site.send(result)
        objects = own(result)
        check(f"storescp {option}: everything delivered", status == 0 and all(r["state"] == "delivered" for r in rows), f"{rows} {error}")
        check(f"storescp {option}: our UIDs and no others", archive.uids() == sorted(o.SOPInstanceUID for o in objects.values()))
        by_uid = {o.SOPInstanceUID: o for o in objects.values()}
        same = all(plain(o) == plain(by_uid[o.SOPInstanceUID]) for o in archive.objects())
        check(f"storescp {option}: every element as in our file", same)
        archive.stop()

    # An archive that knows neither 3D reports nor maps.
    profile = Path(root) / "profile.cfg"
    classes = ["EnhancedSRStorage", "SegmentationStorage", "SecondaryCaptureImageStorage", "EncapsulatedPDFStorage"]
    lines = ["[[TransferSyntaxes]]", "[Plain]", "TransferSyntax1 = LittleEndianExplicit", "TransferSyntax2 = LittleEndianImplicit",
             "[[PresentationContexts]]", "[Some]"]
    lines += [f"PresentationContext{i} = {c}\\Plain" for i, c in enumerate(classes, 1)]
    lines += ["[[Profiles]]", "[Default]", "PresentationContexts = Some"]
    profile.write_text("\n".join(lines) + "\n")
    archive = Storescp(root, "--config-file", str(profile), "Default")
    site = Site(root, [{"name": "archive", "c_store": {"address": f"127.0.0.1:{archive.port}", "called": "A"}}], outbox)
    result = site.results()[0]
    status, rows = site.drain(result)
    states = {r["purpose"]: r["state"] for r in rows}
    check("a narrow storescp: the map is refused, the rest arrives",
          [p for p, s in states.items() if s != "delivered"] == ["r2star_map"] and status == 3, f"{rows}")
    classes = [o.SOPClassUID for o in archive.objects()]
    check("a narrow storescp: the report arrived as Enhanced SR", ESR in classes and SR not in classes, f"{classes}")
    before = archive.uids()
    site.send(result)
    check("a narrow storescp: sent again, the same UIDs", sorted(set(archive.uids())) == sorted(set(before)))
    for o in archive.objects():
        if o.SOPClassUID == ESR:
            path = archive.folder / "look.dcm"
            o.save_as(path)
            said = subprocess.run(["dsrdump", "-q", str(path)], capture_output=True, text=True)
            check("a narrow storescp: dsrdump reads the Enhanced SR", said.returncode == 0, said.stderr[:300])
            said = subprocess.run(["dciodvfy", "-new", str(path)], capture_output=True, text=True)
            errors = [line for line in (said.stdout + said.stderr).splitlines() if line.startswith("Error")]
            check("a narrow storescp: dciodvfy takes the Enhanced SR", not errors, f"{errors[:5]}")
            path.unlink()
            break
    archive.stop()

    # Breaks off in the middle or after an object, refuses every association, answers slowly; then is well again.
    for name, options, timeout in [("aborts during", ["--abort-during"], 5), ("aborts after", ["--abort-after"], 5),
                                   ("refuses associations", ["--refuse"], 5), ("is slow", ["--sleep-during", "3"], 1)]:
        archive = Storescp(root, *options)
        destination = {"name": "archive", "c_store": {"address": f"127.0.0.1:{archive.port}", "called": "A"}, "timeout_s": timeout}
        site = Site(root, [destination], outbox)
        result = site.results()[0]
        status, rows, _ = site.send(result)
        check(f"storescp {name}: nothing is called delivered that is not", status == 3 and any(r["state"] == "waiting" for r in rows), f"{rows}")
        archive.stop()
        first = set(archive.uids())
        well = Storescp(root, port=archive.port)
        status, rows = site.drain(result)
        check(f"storescp {name}: all delivered when it is well", status == 0, f"{rows}")
        wanted = {o.SOPInstanceUID for o in own(result).values()}
        delivered_before = {r["file"] for r in rows if r["attempts"] == 1}
        check(f"storescp {name}: no UID but ours arrived", first | set(well.uids()) <= wanted)
        check(f"storescp {name}: everything is there", first | set(well.uids()) == wanted, f"{len(wanted)} wanted, {delivered_before}")
        well.stop()


class Engine(threading.Thread):
    """An HL7 listener that acknowledges with what `answers` says, then AA."""

    def __init__(self, answers=()):
        super().__init__(daemon=True)
        self.listener = socket.create_server(("127.0.0.1", 0))
        self.port = self.listener.getsockname()[1]
        self.answers, self.messages = list(answers), []
        self.start()

    def run(self):
        while True:
            connection, _ = self.listener.accept()
            data = b""
            with connection:
                while chunk := connection.recv(65536):
                    data += chunk
                    while b"\x1c\r" in data:
                        message, data = data.split(b"\x1c\r", 1)
                        message = message.lstrip(b"\x0b")
                        answer = self.answers.pop(0) if self.answers else "AA"
                        if answer == "close":
                            data = None
                            break
                        self.messages.append(message)
                        control = message.split(b"\r")[0].split(b"|")[9].decode()
                        ack = f"\x0bMSH|^~\\&|R|H|SIDEROLOG|X|20260101||ACK^R01^ACK|1|P|2.5.1\rMSA|{answer}|{control}\r\x1c\r"
                        connection.sendall(ack.encode())
                    if data is None:
                        break


class Record(http.server.ThreadingHTTPServer):
    """A FHIR server's edge: takes transactions, keeps what has an identifier once."""

    def __init__(self, statuses=()):
        self.statuses, self.kept = list(statuses), {}
        super().__init__(("127.0.0.1", 0), RecordHandler)
        self.port = self.server_address[1]
        threading.Thread(target=self.serve_forever, daemon=True).start()


class RecordHandler(http.server.BaseHTTPRequestHandler):
    def do_POST(self):
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        status = self.server.statuses.pop(0) if self.server.statuses else 200
        if status == 200:
            assert body["resourceType"] == "Bundle" and body["type"] == "transaction"
            for entry in body["entry"]:
                assert entry["request"]["method"] == "POST"
                self.server.kept.setdefault(entry["request"]["ifNoneExist"], entry["resource"])
        answer = json.dumps({"resourceType": "Bundle", "type": "transaction-response"}).encode()
        self.send_response(status)
        self.send_header("Content-Length", str(len(answer)))
        self.end_headers()
        self.wfile.write(answer)

    def log_message(self, *_):
        pass


def message_parts(root, outbox):
    import hl7apy.parser
    from fhir.resources.R4B.bundle import Bundle

    engine, record = Engine(["close", "AR", "AA"]), Record([503, 500])
    site = Site(root, [{"name": "engine", "mllp": {"address": f"127.0.0.1:{engine.port}"}},
                       {"name": "record", "fhir": {"url": f"http://127.0.0.1:{record.port}/fhir"}}], outbox)
    for result in site.results():
        status, rows = site.drain(result)
        check(f"HL7 and FHIR of {result.name[:8]} delivered", status == 0, f"{rows}")
        message = (result / "oru.hl7").read_bytes()
        check("the HL7 message arrived as it is on disk", message in engine.messages)
        hl7apy.parser.parse_message(message.decode(), validation_level=1)
        bundle = json.loads((result / "fhir.json").read_text())
        Bundle.model_validate(bundle) if hasattr(Bundle, "model_validate") else Bundle.parse_obj(bundle)
        check("every resource is kept once", all(e["request"]["ifNoneExist"] in record.kept for e in bundle["entry"]))
    kept = len(record.kept)
    site.send(site.results()[0])
    check("sent again, the record keeps no second copy", len(record.kept) == kept)
    record.shutdown()


def orthanc_part(root, outbox):
    if not shutil.which("Orthanc"):
        print("SKIPPED: Orthanc is not installed (apt-get install orthanc orthanc-dicomweb)")
        return
    plugin = next(Path("/usr").glob("share/orthanc/plugins/*DicomWeb*.so*"), None)
    plugin = plugin or next(Path("/usr/lib").glob("orthanc/plugins/*DicomWeb*.so*"), None)
    folder = Path(tempfile.mkdtemp(dir=root))
    dicom, web = free_port(), free_port()
    config = {"Name": "A", "StorageDirectory": str(folder / "db"), "IndexDirectory": str(folder / "db"), "DicomAet": "ORTHANC",
              "DicomPort": dicom, "HttpPort": web, "RemoteAccessAllowed": False, "AuthenticationEnabled": True,
              "RegisteredUsers": {"siderolog": "secret"}, "DicomAlwaysAllowStore": True, "DicomCheckCalledAet": True,
              "Plugins": [str(plugin)] if plugin else [], "DicomWeb": {"Enable": True, "Root": "/dicom-web/"}}
    (folder / "orthanc.json").write_text(json.dumps(config))

    def start():
        process = subprocess.Popen(["Orthanc", str(folder / "orthanc.json")], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        check("Orthanc started", listening(web) and listening(dicom))
        return process

    def instances():
        request = urllib.request.Request(f"http://127.0.0.1:{web}/instances")
        request.add_header("Authorization", "Basic " + base64.b64encode(b"siderolog:secret").decode())
        found = []
        for name in json.load(urllib.request.urlopen(request)):
            request.full_url = f"http://127.0.0.1:{web}/instances/{name}/simplified-tags"
            found.append(json.load(urllib.request.urlopen(request))["SOPInstanceUID"])
        return sorted(found)

    secret = folder / "authorization"
    secret.write_text("Basic " + base64.b64encode(b"siderolog:secret").decode() + "\n")
    stow = {"url": f"http://127.0.0.1:{web}/dicom-web/studies", "authorization_file": str(secret)}
    destinations = [{"name": "store", "c_store": {"address": f"127.0.0.1:{dicom}", "called": "ORTHANC"}}]
    if plugin:
        destinations.append({"name": "web", "stow": stow})
    else:
        print("SKIPPED: Orthanc's DICOMweb plugin is not installed")
    site = Site(root, destinations, outbox)
    result = site.results()[0]
    status, rows, _ = site.send(result)
    check("Orthanc down: everything waits", status == 3 and all(r["state"] == "waiting" for r in rows), f"{rows}")
    process = start()
    try:
        status, rows = site.drain(result)
        check("Orthanc returned: C-STORE and STOW-RS deliver everything", status == 0, f"{rows}")
        wanted = sorted(o.SOPInstanceUID for o in own(result).values())
        check("Orthanc holds each object once", instances() == wanted)
        if plugin:
            wrong = folder / "wrong"
            wrong.write_text("Basic " + base64.b64encode(b"siderolog:wrong").decode() + "\n")
            other = Site(root, [{"name": "web", "stow": {**stow, "authorization_file": str(wrong)}}], outbox)
            result = other.results()[1]
            _, rows, _ = other.send(result)
            check("a wrong password loses nothing", all(r["state"] == "waiting" for r in rows), f"{rows}")
            wrong.write_text(secret.read_text())
            status, rows = other.drain(result)
            check("and sends when it is right", status == 0, f"{rows}")
    finally:
        end(process)


def service_part(root):
    """The service sends by itself what may leave, holds the rest, and goes on after it was killed."""
    folder = Path(tempfile.mkdtemp(dir=root))
    (folder / "drop").mkdir()
    port = free_port()
    engine = Engine()
    site = folder / "site.yaml"
    site.write_text(
        "settle: {scan_s: 0.2, quiet_s: 0.5, incomplete_s: 2, recheck_s: 5}\n"
        "sending: {first_wait_s: 0.2, longest_wait_s: 1}\n"
        "destinations:\n"
        f"  - {{name: archive, c_store: {{address: '127.0.0.1:{port}', called: A}}, timeout_s: 2}}\n"
        f"  - {{name: engine, mllp: {{address: '127.0.0.1:{engine.port}'}}}}\n")
    recipe = Path(__file__).resolve().parents[2] / "fixtures" / "recipes" / "stable-patient.yaml"
    subprocess.run([SIDEROLOG, "simulate", "--recipe", str(recipe), "--out", str(folder / "made")], check=True, capture_output=True)

    def watch():
        return subprocess.Popen([SIDEROLOG, "watch", "--site", str(site)], stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)

    def rows():
        done = subprocess.run([SIDEROLOG, "send", "--status", "--json", "--site", str(site)], capture_output=True, text=True)
        return json.loads(done.stdout.splitlines()[-1])["shipments"] if done.stdout.strip() else []

    def until(good, seconds=240):
        limit = time.time() + seconds
        while time.time() < limit and not good():
            time.sleep(0.3)
        return good()

    def archived(state):
        mine = [r for r in rows() if r["purpose"] in ARCHIVE and r["destination"] == "archive"]
        return any(r["purpose"] == "structured_report" for r in mine) and all(r["state"] == state for r in mine)

    process = watch()
    try:
        shutil.copytree(folder / "made", folder / "drop" / "export")
        check("the service queues a result", until(lambda: bool(rows())))
        check("the archive is down: its objects wait", until(lambda: archived("waiting")))
        process.send_signal(signal.SIGKILL)
        process.wait()
        archive = Storescp(root, port=port)
        process = watch()
        check("after a kill the service delivers the archive objects",
              until(lambda: archived("delivered")), f"{[(r['file'], r['state']) for r in rows()]}")
        held = [r for r in rows() if r["purpose"] not in ARCHIVE]
        check("page and message are withheld", held and all(r["state"] == "withheld" for r in held) and not engine.messages, f"{held}")
        health = folder / "state" / "health.json"
        check("health tells of both destinations",
              until(lambda: {d["name"] for d in json.loads(health.read_text())["destinations"]} == {"archive", "engine"}))
        wanted = {pydicom.dcmread(p).SOPInstanceUID for p in (folder / "outbox").glob("*/*/*.dcm") if p.name != "page.dcm"}
        check("each arrived under its own UID", set(archive.uids()) == wanted)
        archive.stop()
    finally:
        end(process)


def main():
    with tempfile.TemporaryDirectory(prefix="siderolog-sending-") as root:
        outbox = demo(root)
        storescp_parts(root, outbox)
        message_parts(root, outbox)
        orthanc_part(root, outbox)
        service_part(root)
    print(f"{PASSED} passed, {len(FAILED)} failed")
    return 1 if FAILED else 0


if __name__ == "__main__":
    sys.exit(main())
