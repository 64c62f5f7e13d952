#!/usr/bin/env python3
"""Reads a page of `ohmward serve`'s /metrics with the OpenMetrics parser of the PyPI package `prometheus-client` and prints every
sample as one line of JSON: {"name", "labels", "value", "type", "unit"}.

    pip install --target DIR prometheus-client
    PYTHONPATH=DIR python3 tests/reference/openmetrics_check.py < METRICS

Exit status: 0 it parses, 1 it does not, 77 the package is not there.
"""

import json
import sys

try:
    from prometheus_client.openmetrics.parser import text_string_to_metric_families
except ImportError as why:
    print(f"{why}: pip install --target DIR prometheus-client, and PYTHONPATH=DIR")
    sys.exit(77)

try:
    families = list(text_string_to_metric_families(sys.stdin.read()))
except ValueError as fault:
    print(f"no OpenMetrics: {fault}")
    sys.exit(1)
for family in families:
    for sample in family.samples:
        row = {"name": sample.name, "labels": sample.labels, "value": sample.value, "type": family.type, "unit": family.unit}
        print(json.dumps(row, allow_nan=True))
