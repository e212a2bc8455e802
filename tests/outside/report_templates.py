#!/usr/bin/env python3
"""Checks our structured reports against the rows of their templates (TID 1500, 1411, 1419, 1600, 4019).

Usage: report_templates.py SIDEROLOG   The checker is Debian's PixelMed (libpixelmed-java, with default-jre-headless and
libxalan2-java); SKIPPED where it is not installed. Its rules are of June 2022; what it says of later or extending rows is
known and listed. Ends with `N passed, N failed`.
"""

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

SIDEROLOG = sys.argv[1] if len(sys.argv) > 1 else os.environ["SIDEROLOG"]
JARS = "pixelmed xalan2 xercesImpl serializer xml-apis slf4j-api slf4j-nop commons-codec commons-net vecmath jsonp javax.json"
PLACE = Path("/usr/share/java")

# Its rules let a measurement that the template does not name be only inferred from; the uncertainty of a number is a
# property of it (TID 310, row 5), which its wildcard rows 13 and 14 swallow. Names of persons depend on Java's locale.
KNOWN = [r"Template 1419 .*Row 1[34]\].*NUM \(37188[56]00[78],", r"illegal character"]


def lines_of(path):
    classpath = ":".join(str(PLACE / f"{jar}.jar") for jar in JARS.split())
    factory = "-Djavax.xml.transform.TransformerFactory=org.apache.xalan.processor.TransformerFactoryImpl"
    done = subprocess.run(["java", "-Xmx6g", "-Xss64m", factory, "-cp", classpath, "com.pixelmed.validate.DicomSRValidator", str(path)],
                          capture_output=True, text=True, timeout=300)
    return (done.stdout + done.stderr).splitlines()


def main():
    if not (PLACE / "pixelmed.jar").exists():
        print("SKIPPED: PixelMed is not installed (apt-get install default-jre-headless libpixelmed-java libxalan2-java)")
        print("0 passed, 0 failed")
        return 0
    passed, failed = 0, []
    with tempfile.TemporaryDirectory() as root:
        done = subprocess.run([SIDEROLOG, "demo", "--dir", root], capture_output=True, text=True, timeout=600)
        assert done.returncode == 0, done.stderr
        reports = sorted(Path(root).glob("outbox/*/*/report.dcm"))
        refused = [p for p in reports if '"verdict": "refused"' in (p.parent / "result.json").read_text()]
        read = [p for p in reports if p not in refused]
        # A quarter of a minute each.
        for path in read[:1] + refused[:1]:
            lines = lines_of(path)
            if not any("validation complete" in line for line in lines):
                failed.append(f"{path.parent.name[:8]}: the checker did not run: {lines[:3]}")
                continue
            errors = [line for line in lines if re.search(r"error", line, re.I)]
            unknown = [line for line in errors if not any(re.search(known, line, re.I) for known in KNOWN)]
            print(f"{path.parent.name[:8]}: {len(errors)} remarks, {len(unknown)} of them not known")
            passed += len(errors) - len(unknown) + 1
            failed += [f"{path.parent.name[:8]}: {line[:300]}" for line in unknown]
    for failure in failed[:30]:
        print(f"FAILED: {failure}")
    print(f"{passed} passed, {len(failed)} failed")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
