EXAMPLES=""
def lot() -> None:
    """x"""
