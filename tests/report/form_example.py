"""A small logbook, and what one does with its form in a browser."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

from command_logs import write_log
from report.browser import Browser

from maturity_model.cli.main import main

#: Markup in every field that takes free text; shorter than the longest name.
EVIL = "</script><script>window.pwned=1</script><img src=x onerror=window.pwned=2>'\"&"


def csv_line(*cells: str) -> str:
    return ",".join('"' + c.replace('"', '""') + '"' for c in cells) + "\n"


def days_ago(n: int) -> str:
    return (dt.date.today() - dt.timedelta(days=n)).isoformat()


def plain_log(folder: Path) -> Path:
    """Two keepers, three tanks, kits of every kind."""
    files = {
        "tanks": "tank,keeper,started,rock,volume_l\n"
        f"Reef,ann,{days_ago(70)},dry,60\nNook,ann,{days_ago(40)},live,20\n"
        f"Other,bob,{days_ago(30)},dry,30\n",
        "checkins": "tank,date,observer,look,diatoms,hair_algae,ammonia,phosphate\n"
        f"Reef,{days_ago(21)},ann,careful,y,,0.5,\nReef,{days_ago(9)},ann,careful,y,n,<0.25,0.08\n",
        "events": "tank,date,event,amount,note\n" + f"Reef,{days_ago(9)},water_change,20,\n",
        "kits": "keeper,analyte,method,unit,steps\nann,ammonia,colour_chart,mg/L NH4,0;0.25;0.5;1\n"
        "ann,phosphate,photometer,mg/L PO4,\nann,salinity,probe,sg 25/25,\n",
    }
    return write_log(folder, **files)


def evil_log(folder: Path) -> Path:
    """The same with markup wherever free text may stand."""
    day = days_ago(5)
    who = "e'v\"<b>il</b>&"
    files = {
        "tanks": "tank,keeper,club,started,rock\n"
        + csv_line(EVIL, who, EVIL, days_ago(60), "dry")
        + csv_line("100 % <i>reef</i>", who, "", days_ago(60), EVIL),
        "checkins": "tank,date,observer,look,diatoms,own_sign,ammonia,note,<u>no</u>\n"
        + csv_line(EVIL, day, EVIL, "careful", "y", "n", "0.25", EVIL, EVIL)
        + csv_line(EVIL, days_ago(4), who, EVIL, EVIL, "y", EVIL, "", "")
        + csv_line(EVIL + "?", day, "", "", "y", "", "", "", ""),
        "events": "tank,date,event,amount,note\n"
        + csv_line(EVIL, day, "livestock_added", "2", EVIL)
        + csv_line(EVIL, day, EVIL, "2", ""),
        "kits": "keeper,analyte,method,unit,steps\n"
        + csv_line(who, "ammonia", "colour_chart", "mg/L NH4", EVIL),
        "signs": "sign,label,where,how,cycling,bloom,colonising,mature\n"
        + csv_line("own_sign", EVIL, EVIL, EVIL, "0.1", "0.2", "0.3", "0.4"),
    }
    return write_log(folder, **files)


def make_form(log: Path, out: Path, *more: str) -> Path:
    assert main(["form", str(log), "--out", str(out), *more]) == 0
    return out


def click(browser: Browser, what: str) -> None:
    browser.value(f"document.querySelector({what!r}).click()")


def unfold(browser: Browser, what: str = "details") -> None:
    """Open what is folded."""
    browser.value(f"document.querySelectorAll({what!r}).forEach(d => d.open = true)")


def fill(browser: Browser, what: str, text: str) -> None:
    """Give a field a value as a keeper would, events included."""
    browser.value(
        f"(() => {{ const x = document.querySelector({what!r}); x.value = {text!r};"
        " x.dispatchEvent(new Event('input', {bubbles: true})); })()"
    )


def answer(browser: Browser, tank: str, sign: str, value: str) -> None:
    click(browser, f'#{tank} [data-sign="{sign}"] input[value="{value}"]')


def to_save(browser: Browser) -> str:
    """The form's own count, beside its button."""
    return str(browser.value("document.querySelector('#count').textContent"))


def saved_file(browser: Browser, folder: Path, save: str = "#write", key: str = "") -> Path:
    """Save, by a click or by a key, and put the file into the folder under its own name."""
    with browser.tab.expect_download() as started:
        if key:
            browser.tab.keyboard.press(key)
        else:
            click(browser, save)
    path = folder / started.value.suggested_filename
    started.value.save_as(path)
    return path


def visible(browser: Browser, what: str) -> bool:
    found = browser.value(f"document.querySelector({what!r}).getClientRects().length > 0")
    return bool(found)
