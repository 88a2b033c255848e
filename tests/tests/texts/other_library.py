"""Reads lines `submit UNIT` and `deliver UNIT`, and says what two libraries that are not ours make of
them, one line of JSON each: smspdudecoder, and the units of python-gsmmodem-new."""

import importlib.util
import json
import sys
import types
from datetime import timedelta

from smspdudecoder.easy import read_incoming_sms, read_outgoing_sms

# The package itself imports serial lines; its units do not.
where = importlib.util.find_spec("gsmmodem").submodule_search_locations[0]
package = types.ModuleType("units")
package.__path__ = [where]
sys.modules["units"] = package
pdu = importlib.import_module("units.pdu")

for line in sys.stdin:
    kind, rest = line.rstrip("\n").split(" ", 1)
    if kind == "submit":
        one, two = read_outgoing_sms(rest), pdu.decodeSmsPdu(rest)
        said = {"to": [one["recipient"], two["number"]], "text": [one["content"], two["text"]]}
    elif kind == "write":
        number, text = rest.split(" ", 1)
        unit = pdu.encodeSmsSubmitPdu(number, json.loads(text), reference=0, validity=timedelta(days=1), requestStatusReport=True)[0]
        said = {"unit": str(unit), "length": unit.tpduLength}
    else:
        one = read_incoming_sms(rest)
        said = {"from": one["sender"], "text": one["content"]}
    print(json.dumps(said), flush=True)
