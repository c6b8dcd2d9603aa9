"""The plain answer by pandas: merge_asof over what the json module of Python reads.

python pandas_answer.py FILE... prints one JSON object for each file.
"""
import hashlib
import json
import sys
from decimal import Decimal

import pandas as pd

PRESSURE = ("https://deltaward.example/fhir/CodeSystem/measurement", "compartment-pressure")
DIASTOLIC = ("http://loinc.org", "8462-4")
COLUMNS = ["id", "updated", "number", "withdrawn", "patient", "taken", "site", "compartment", "diastolic"]


def has(concept, coding):
    codings = (concept or {}).get("coding") or []
    return any((one.get("system"), one.get("code")) == coding for one in codings)


def thousandths(quantity):
    return int(Decimal(quantity["value"]) * 1000)


def row(observation):
    site = compartment = diastolic = None
    if has(observation.get("code"), PRESSURE):
        codings = observation.get("bodySite", {}).get("coding") or [{}]
        site = codings[0].get("code", "")
        compartment = thousandths(observation["valueQuantity"])
    elif has(observation.get("code"), DIASTOLIC):
        diastolic = thousandths(observation["valueQuantity"])
    else:
        for part in observation.get("component", []):
            if has(part.get("code"), DIASTOLIC):
                diastolic = thousandths(part["valueQuantity"])
    meta = observation["meta"]
    return (
        observation["id"], meta["lastUpdated"], int(meta["versionId"]), observation["status"] == "entered-in-error",
        observation["subject"]["reference"], observation["effectiveDateTime"], site, compartment, diastolic,
    )


def kept(path):
    rows = []
    with open(path, encoding="utf-8") as lines:
        for line in lines:
            try:
                observation = json.loads(line, parse_float=str, parse_int=str)
            except ValueError:
                continue
            if observation.get("resourceType") == "Observation":
                rows.append(row(observation))
    frame = pd.DataFrame(rows, columns=COLUMNS)
    for name in ("updated", "taken"):
        frame[name] = pd.to_datetime(frame[name], utc=True, format="ISO8601").dt.as_unit("ms")
    for name in ("compartment", "diastolic"):
        frame[name] = frame[name].astype("Int64")
    return frame


def answer(path):
    rows = kept(path)
    # Of several versions of an id the newest lastUpdated counts, then the greater versionId.
    newest = rows.sort_values(["updated", "number"], kind="stable").drop_duplicates("id", keep="last")
    counts = newest[~newest["withdrawn"]]
    # Of several diastolics of one time the newest lastUpdated counts, then the lower value.
    diastolics = (
        counts[counts["diastolic"].notna()]
        .sort_values(["taken", "updated", "diastolic"], ascending=[True, True, False])
        .drop_duplicates(["patient", "taken"], keep="last")[["patient", "taken", "diastolic"]]
    )
    pressures = counts[counts["compartment"].notna()].drop(columns="diastolic").sort_values("taken")
    joined = pd.merge_asof(
        pressures, diastolics, on="taken", by="patient", direction="backward", tolerance=pd.Timedelta(minutes=60)
    )
    joined = joined[joined["diastolic"].notna()].sort_values(["patient", "site", "taken", "updated", "compartment"])
    delta = joined["diastolic"] - joined["compartment"]
    joined["low"] = (delta <= 30_000).astype(bool)
    was_low = joined.groupby(["patient", "site"])["low"].shift(1, fill_value=False).astype(bool)
    low = joined[joined["low"]]
    firsts = low.groupby(["patient", "site"])["taken"].min()
    millis = firsts.astype("int64") if len(firsts) else firsts
    lines = sorted(f"{patient}|{site}|{moment}".encode() for (patient, site), moment in millis.items())
    return {
        "observations": len(rows),
        "superseded": len(rows) - len(newest),
        "withdrawn": len(newest) - len(counts),
        "pairs": len(joined),
        "low": len(low),
        "sum_delta_mmhg": str(Decimal(int(delta.sum())) / 1000),
        "low_runs": int((joined["low"] & ~was_low).sum()),
        "groups": len(firsts),
        "first_low_sha256": hashlib.sha256(b"\n".join(lines)).hexdigest(),
    }


if __name__ == "__main__":
    for path in sys.argv[1:]:
        print(json.dumps(answer(path)))
