"""Validates JSON texts against a JSON Schema with the independent python3-jsonschema.

usage: validate_profiles.py SCHEMA TEXTS
TEXTS holds one JSON text a line. Prints one line for each: "ok", or what the schema refuses.
Exit status 77: the validator is not installed.
"""

import json
import sys

try:
    from jsonschema import Draft202012Validator
except ImportError:
    print("python3-jsonschema with draft 2020-12 is not installed")
    sys.exit(77)


def main():
    with open(sys.argv[1], encoding="utf-8") as file:
        schema = json.load(file)
    Draft202012Validator.check_schema(schema)
    validator = Draft202012Validator(schema)
    with open(sys.argv[2], encoding="utf-8") as file:
        for line in file:
            error = next(validator.iter_errors(json.loads(line)), None)
            print("ok" if error is None else error.message.replace("\n", " ")[:200])


main()
