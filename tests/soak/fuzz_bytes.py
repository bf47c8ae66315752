"""Ten million random bytes on the way that messages take; run it with `make fuzz`.

PYTHONPATH=. python tests/soak/fuzz_bytes.py [BYTES [SEED]]
"""

import sys
import time

from tests.support.fuzz_bytes import fuzz


def main() -> int:
    """Fuzz, and say what became of the notes that came of it."""
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 2026
    began = time.monotonic()
    ledger = fuzz(total, seed).instrument.ledger
    accounts = {account: count for account, count in ledger.accounts().items() if count}
    sys.stdout.write(f"{total} random bytes, {time.monotonic() - began:.0f} s: {accounts}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
