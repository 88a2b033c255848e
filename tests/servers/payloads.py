def try_payloads(*a): pass
