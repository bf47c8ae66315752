"""Status and losses in words: what ``partiald status``, ``partiald why`` and the report show.

Units: seconds; shares of a block's time.
"""

import time
from typing import Any

from config.toml.wording import counted
from daemon.diagnosis.battery_chart import battery_chart
from daemon.soundcard.card import LISTENING

_LABEL = 13


def readable_status(status: dict[str, Any]) -> str:
    """Return the status as aligned lines."""
    rows = [
        ("running", _running(status)),
        ("controllers", _controllers(status)),
        ("sound card", _card(status)),
        *(("", line) for line in (status["output"] or {"closed": []})["closed"]),
        ("sound", f"{status['sound']}, up to {counted(status['polyphony'], 'note')} at once"),
        ("voices", _voices(status)),
    ]
    if status["block"]["deadline_us"]:
        rows.append(("block time", _block_time(status["block"])))
    rows.append(("timing", _timing(status)))
    rows.append(("notes", f"{counted(status['notes']['received'], 'note')} received"))
    accounts = {name: n for name, n in status["notes"]["accounts"].items() if n}
    width = max((len(name) for name in accounts), default=0)
    rows += [("", f"  {name:<{width}}  {n:>7,}") for name, n in accounts.items()]
    rows += [("board", line) for line in _board(status["health"])]
    rows += [("settings", line) for line in status["settings"]["faults"]]
    return "".join(f"{label:<{_LABEL}}{text}\n" for label, text in rows)


def _running(status: dict[str, Any]) -> str:
    boot = f", boot {status['boot']}" if status["boot"] else ""
    return f"{_duration(status['running_s'])}, process {status['process']}{boot}"


def _controllers(status: dict[str, Any]) -> str:
    names = ", ".join(each["name"] for each in status["controllers"])
    wanted = status["wanted_controller"]
    return names or (f"none matches '{wanted}'" if wanted else "none seen")


def _card(status: dict[str, Any]) -> str:
    output = status["output"]
    if output is None:
        return f"silent: {status['reason']}"
    frames = status["block"]["frames"]
    by_radio = output["card"]["kind"] == "bluetooth"
    where = f"radio: {LISTENING}" if by_radio else "card"
    return (
        f"{output['card']['name']}, {output['sample_rate']:,} Hz, {frames}-frame blocks, "
        f"{output['delay_ms']:.1f} ms to the {where}"
    )


def _voices(status: dict[str, Any]) -> str:
    voices = status["voices"]
    most = status["most_partials"]
    limit = f", {most:,} allowed at this load" if most else ""
    return (
        f"{voices['now']} now ({counted(status['partials'], 'partial')}{limit}), "
        f"{voices['peak']} at most so far, tails included"
    )


def _block_time(block: dict[str, Any]) -> str:
    share = [100 * block[key] / block["deadline_us"] for key in ("p50_us", "p99_us", "max_us")]
    return (
        f"half within {share[0]:.0f} %, 99 of 100 within {share[1]:.0f} %, longest "
        f"{share[2]:.0f} % of {block['deadline_us'] / 1000:.2f} ms"
    )


def _timing(status: dict[str, Any]) -> str:
    text = (
        f"{counted(status['underflows'], 'underflow')}, "
        f"{status['late_messages']:,} of {counted(status['messages'], 'message')} late"
    )
    silenced = status["silenced_blocks"]
    return text + (f", {counted(silenced, 'block')} silenced by a fault" if silenced else "")


def _board(health: dict[str, Any]) -> list[str]:
    known = []
    if health["temperature_c"] is not None:
        known.append(f"{health['temperature_c']:.0f} °C")
    if health["battery_percent"] is not None:
        left_h = health["battery_left_h"]
        left = f", about {left_h:.1f} h left" if left_h is not None else ""
        known.append(f"battery {health['battery_percent']} %{left}")
    if health["undervoltage"] is False:
        known.append("supply OK")
    return [", ".join(known), *health["warnings"]] if known else list(health["warnings"])


def _duration(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return (
        f"{hours} h {minutes} min"
        if hours
        else f"{minutes} min {rest} s"
        if minutes
        else f"{rest} s"
    )


def readable_losses(losses: dict[str, Any]) -> str:
    """Return what did not sound as played as lines."""
    which = f"boot {losses['boot']}: " if losses["boot"] > 0 else ""
    earlier = losses["earlier"]
    lines = [f"{which}{earlier:,} earlier ones; --last shows more"] if earlier else []
    lines += [_loss(losses["boot"], entry) for entry in losses["entries"]]
    if not lines and not losses["count"]:
        return f"{which or 'that boot: '}nothing is recorded\n"
    lines += [] if lines else [f"{which}everything recorded sounded as played"]
    if losses["count"]:
        lines.append(f"{which}{losses['count']}")
    lines += battery_chart(losses["battery"])
    return "".join(f"{line}\n" for line in lines)


def _loss(boot: int, entry: dict[str, Any]) -> str:
    since_s, clock_s = entry["since_ready_s"], entry["clock_s"]
    words = [f"boot {boot}"] if boot > 0 else []
    words.append("before ready" if since_s is None or since_s < 0 else _since(since_s))
    if clock_s is not None:
        words.append(time.strftime("%Y-%m-%d %H:%M:%S", time.localtime(clock_s)))
    return f"{', '.join(words)}: {entry['text']}"


def _since(seconds: float) -> str:
    minutes, rest = divmod(round(seconds, 1), 60)
    hours, minutes = divmod(int(minutes), 60)
    return f"{hours}:{minutes:02}:{rest:04.1f}"
