"""A million random messages through the instrument; run it with `make fuzz`.

    PYTHONPATH=. python tests/soak/fuzz_messages.py [MESSAGES [SEED]]

It ends with a line for every set of settings, or with what was broken and after which message.
"""

import sys
import time

from tests.support.fuzz_messages import VARIANTS, fuzz


def main() -> int:
    """Fuzz with every set of settings."""
    messages = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 2026
    for name, variant in VARIANTS.items():
        began = time.monotonic()
        ledger = fuzz(variant, messages // len(VARIANTS), seed).ledger
        took = time.monotonic() - began
        accounts = {account: count for account, count in ledger.accounts().items() if count}
        sys.stdout.write(
            f"{name}: {messages // len(VARIANTS)} messages, {took:.0f} s: {accounts}\n"
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
