TRIED = {}
def try_spam(*a): pass
