"""Reads a page of metrics with an independent parser, strictly by the OpenMetrics text: `open_metrics.py URL`.

Prints one JSON object: the samples by name, each a list of [labels, value].
"""

import json
import sys
import urllib.request

from prometheus_client.openmetrics.parser import text_string_to_metric_families

with urllib.request.urlopen(sys.argv[1], timeout=10) as answer:
    kind = answer.headers["Content-Type"]
    text = answer.read().decode()
assert kind.startswith("application/openmetrics-text"), kind
samples = {}
for family in text_string_to_metric_families(text):
    for sample in family.samples:
        samples.setdefault(sample.name, []).append([sample.labels, sample.value])
print(json.dumps(samples))
