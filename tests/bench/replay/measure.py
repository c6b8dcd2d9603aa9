"""python measure.py COMMAND... runs it and prints one JSON object: seconds of wall and CPU, peak memory, its output."""
import json
import os
import subprocess
import sys
import time

began = time.perf_counter()
child = subprocess.Popen(sys.argv[1:], stdout=subprocess.PIPE)
output = child.stdout.read().decode()
_, status, usage = os.wait4(child.pid, 0)
print(json.dumps({
    "wall_s": time.perf_counter() - began,
    "cpu_s": usage.ru_utime + usage.ru_stime,
    "peak_kib": usage.ru_maxrss,  # Linux counts it in KiB: getrusage(2)
    "status": os.waitstatus_to_exitcode(status),
    "output": output,
}))
