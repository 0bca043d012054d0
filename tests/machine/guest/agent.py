"""Runs inside the test machine: takes commands as JSON lines on a virtio port, answers likewise.

    {"id": 1, "run": "aconnect -l", "timeout_s": 20}  ->  {"id": 1, "code": 0, "text": "..."}

Each command runs in a shell of its own, so that a slow one holds up nobody.
"""

import json
import subprocess
import threading
from pathlib import Path

PORT = "/dev/virtio-ports/test-agent"


def serve(port, order, lock):
    try:
        done = subprocess.run(
            ["/bin/bash", "-c", order["run"]],
            check=False,
            stdin=subprocess.DEVNULL,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=order.get("timeout_s", 60),
        )
        answer = {"code": done.returncode, "text": done.stdout.decode("utf-8", "replace")}
    except subprocess.TimeoutExpired as late:
        text = (late.stdout or b"").decode("utf-8", "replace")
        answer = {"code": -1, "text": text}
    line = json.dumps({"id": order["id"], **answer}).encode() + b"\n"
    with lock:
        port.write(line)


def main():
    Path("/share").mkdir(exist_ok=True)
    options = "trans=virtio,version=9p2000.L,msize=131072"
    subprocess.run(["mount", "-t", "9p", "-o", options, "share", "/share"], check=False)
    lock = threading.Lock()
    with Path(PORT).open("r+b", buffering=0) as port:
        port.write(b'{"id": 0, "code": 0, "text": "up"}\n')
        waiting = b""
        while piece := port.read(4096):
            *lines, waiting = (waiting + piece).split(b"\n")
            for line in filter(None, lines):
                threading.Thread(target=serve, args=(port, json.loads(line), lock)).start()


main()
