"""The plain answer by DuckDB: an ASOF JOIN over read_ndjson with a schema.

python duckdb_answer.py FILE... prints one JSON object for each file.
"""
import json
import sys

import duckdb

CODING = "STRUCT(coding STRUCT(system VARCHAR, code VARCHAR)[])"
QUANTITY = "STRUCT(value DECIMAL(18,3), code VARCHAR)"
COLUMNS = {
    "resourceType": "VARCHAR",
    "id": "VARCHAR",
    "meta": "STRUCT(versionId INTEGER, lastUpdated TIMESTAMP)",
    "status": "VARCHAR",
    "code": CODING,
    "subject": "STRUCT(reference VARCHAR)",
    "effectiveDateTime": "TIMESTAMP",
    "valueQuantity": QUANTITY,
    "bodySite": "STRUCT(coding STRUCT(code VARCHAR)[])",
    "component": f"STRUCT(code {CODING}, valueQuantity {QUANTITY})[]",
}
PRESSURE = {"system": "https://deltaward.example/fhir/CodeSystem/measurement", "code": "compartment-pressure"}
DIASTOLIC = {"system": "http://loinc.org", "code": "8462-4"}


def has(concept, coding):
    return f"list_contains({concept}.coding, {coding!r})"


# Of the columns only what is asked for later, so that little is kept.
KEPT = f"""
CREATE TEMP TABLE kept AS
SELECT id, meta.lastUpdated AS updated, meta.versionId AS number,
       status = 'entered-in-error' AS withdrawn,
       subject.reference AS patient, effectiveDateTime AS taken,
       CASE WHEN {has('code', PRESSURE)} THEN coalesce(bodySite.coding[1].code, '') END AS site,
       CASE WHEN {has('code', PRESSURE)} THEN valueQuantity.value END AS compartment,
       CASE WHEN {has('code', DIASTOLIC)} THEN valueQuantity.value
            ELSE list_filter(component, lambda part: {has('part.code', DIASTOLIC)})[1].valueQuantity.value
       END AS diastolic
FROM read_ndjson(?, columns = {COLUMNS!r}, ignore_errors = true)
WHERE resourceType = 'Observation'
"""

# Of several versions of an id the newest lastUpdated counts, then the greater versionId.
NEWEST = """
CREATE TEMP TABLE newest AS
SELECT * FROM kept
QUALIFY row_number() OVER (PARTITION BY id ORDER BY updated DESC, number DESC) = 1
"""

# Of several diastolics of one time the newest lastUpdated counts, then the lower value.
ANSWER = """
WITH diastolics AS (
    SELECT patient, taken, arg_min(diastolic, (-epoch_us(updated), diastolic)) AS diastolic
    FROM newest WHERE NOT withdrawn AND diastolic IS NOT NULL GROUP BY patient, taken
), joined AS (
    SELECT c.patient, c.site, c.taken, c.updated, c.compartment, d.diastolic - c.compartment AS delta
    FROM (SELECT * FROM newest WHERE NOT withdrawn AND compartment IS NOT NULL) c
    ASOF JOIN diastolics d ON c.patient = d.patient AND c.taken >= d.taken
    WHERE c.taken - d.taken <= INTERVAL 60 MINUTE
), runs AS (
    SELECT *, delta <= 30 AS low,
           lag(delta <= 30, 1, false) OVER (
               PARTITION BY patient, site ORDER BY taken, updated, compartment) AS was_low
    FROM joined
), firsts AS (
    SELECT concat(patient, '|', site, '|', epoch_ms(min(taken))) AS line
    FROM runs WHERE low GROUP BY patient, site
)
SELECT (SELECT count(*) FROM kept), (SELECT count(*) FROM kept) - (SELECT count(*) FROM newest),
       (SELECT count(*) FROM newest WHERE withdrawn),
       count(*), count(*) FILTER (low), coalesce(sum(delta), 0)::VARCHAR,
       count(*) FILTER (low AND NOT was_low), (SELECT count(*) FROM firsts),
       (SELECT sha256(coalesce(string_agg(line, chr(10) ORDER BY line), '')) FROM firsts)
FROM runs
"""
NAMES = [
    "observations", "superseded", "withdrawn", "pairs", "low", "sum_delta_mmhg", "low_runs", "groups",
    "first_low_sha256",
]


def answer(path):
    connection = duckdb.connect(config={"threads": 2, "preserve_insertion_order": False})
    connection.execute(KEPT, [path])
    connection.execute(NEWEST)
    row = connection.execute(ANSWER).fetchone()
    connection.close()
    return dict(zip(NAMES, row))


if __name__ == "__main__":
    for path in sys.argv[1:]:
        print(json.dumps(answer(path)))
