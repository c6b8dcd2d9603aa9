"""Read one FHIR resource with PyPI fhir.resources (R4B); exit 1 and say why when it is not valid."""

import json
import sys
from pathlib import Path

from fhir.resources.R4B import get_fhir_model_class
from pydantic import ValidationError

resource = json.loads(Path(sys.argv[1]).read_text(encoding="utf-8"))
try:
    get_fhir_model_class(resource["resourceType"]).model_validate(resource)
except ValidationError as error:
    sys.exit(str(error))
