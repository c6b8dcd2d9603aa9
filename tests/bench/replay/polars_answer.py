"""The plain answer by Polars: join_asof over scan_ndjson with a schema.

python polars_answer.py FILE... prints one JSON object for each file.
"""
import hashlib
import json
import os
import sys

os.environ.setdefault("POLARS_MAX_THREADS", "2")
import polars as pl  # noqa: E402 (reads its threads when it is imported)

CODING = pl.Struct({"coding": pl.List(pl.Struct({"system": pl.String, "code": pl.String}))})
QUANTITY = pl.Struct({"value": pl.Float64, "code": pl.String})
SCHEMA = {
    "resourceType": pl.String,
    "id": pl.String,
    "meta": pl.Struct({"versionId": pl.String, "lastUpdated": pl.String}),
    "status": pl.String,
    "code": CODING,
    "subject": pl.Struct({"reference": pl.String}),
    "effectiveDateTime": pl.String,
    "valueQuantity": QUANTITY,
    "bodySite": CODING,
    "component": pl.List(pl.Struct({"code": CODING, "valueQuantity": QUANTITY})),
}
PRESSURE = ("https://deltaward.example/fhir/CodeSystem/measurement", "compartment-pressure")
DIASTOLIC = ("http://loinc.org", "8462-4")


def is_coded(coding):
    """Of a list of codings: does one of them say this?"""
    system, code = coding
    element = pl.element().struct
    return ((element.field("system") == system) & (element.field("code") == code)).any()


def has(concept, coding):
    return concept.struct.field("coding").list.eval(is_coded(coding)).list.first().fill_null(False)


def moment(text):
    return text.str.to_datetime("%Y-%m-%dT%H:%M:%S%.fZ", time_unit="ms")


def thousandths(quantity):
    return (quantity.struct.field("value") * 1000).round().cast(pl.Int64)


def kept(path):
    part = pl.element().struct
    is_part = part.field("code").struct.field("coding").list.eval(is_coded(DIASTOLIC)).list.first()
    of_parts = pl.col("component").list.eval(
        part.field("valueQuantity").struct.field("value").filter(is_part)
    ).list.first()
    value = thousandths(pl.col("valueQuantity"))
    is_pressure = has(pl.col("code"), PRESSURE)
    return pl.scan_ndjson(path, schema=SCHEMA, ignore_errors=True).filter(
        pl.col("resourceType") == "Observation"
    ).select(
        "id",
        updated=moment(pl.col("meta").struct.field("lastUpdated")),
        number=pl.col("meta").struct.field("versionId").cast(pl.Int64),
        withdrawn=pl.col("status") == "entered-in-error",
        patient=pl.col("subject").struct.field("reference"),
        taken=moment(pl.col("effectiveDateTime")),
        site=pl.when(is_pressure).then(
            pl.col("bodySite").struct.field("coding").list.first().struct.field("code").fill_null("")
        ),
        compartment=pl.when(is_pressure).then(value),
        diastolic=pl.when(has(pl.col("code"), DIASTOLIC)).then(value).otherwise(
            (of_parts * 1000).round().cast(pl.Int64)
        ),
    ).collect()


def answer(path):
    rows = kept(path)
    # Of several versions of an id the newest lastUpdated counts, then the greater versionId.
    newest = rows.sort("updated", "number").unique("id", keep="last", maintain_order=False)
    counts = newest.filter(~pl.col("withdrawn"))
    # Of several diastolics of one time the newest lastUpdated counts, then the lower value.
    diastolics = (
        counts.filter(pl.col("diastolic").is_not_null())
        .sort("updated", "diastolic", descending=[False, True])
        .unique(["patient", "taken"], keep="last", maintain_order=True)
        .select("patient", "taken", "diastolic")
        .sort("taken")
    )
    joined = (
        counts.filter(pl.col("compartment").is_not_null())
        .drop("diastolic")
        .sort("taken")
        .join_asof(
            diastolics, on="taken", by="patient", strategy="backward", tolerance="60m", check_sortedness=False
        )
        .filter(pl.col("diastolic").is_not_null())
        .sort("patient", "site", "taken", "updated", "compartment")
        .with_columns(delta=pl.col("diastolic") - pl.col("compartment"))
        .with_columns(low=pl.col("delta") <= 30_000)
        .with_columns(was_low=pl.col("low").shift(1, fill_value=False).over("patient", "site"))
    )
    low = joined.filter("low")
    firsts = low.group_by("patient", "site").agg(pl.col("taken").min().dt.epoch("ms"))
    lines = sorted(f"{patient}|{site}|{millis}".encode() for patient, site, millis in firsts.rows())
    return {
        "observations": rows.height,
        "superseded": rows.height - newest.height,
        "withdrawn": newest.height - counts.height,
        "pairs": joined.height,
        "low": low.height,
        "sum_delta_mmhg": f"{joined['delta'].sum() / 1000:.3f}",
        "low_runs": low.filter(~pl.col("was_low")).height,
        "groups": firsts.height,
        "first_low_sha256": hashlib.sha256(b"\n".join(lines)).hexdigest(),
    }


if __name__ == "__main__":
    for path in sys.argv[1:]:
        print(json.dumps(answer(path)))
