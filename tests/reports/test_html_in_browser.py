"""The page in a real browser: comfort works, nothing is hidden without it, it fits a narrow screen.

A probe is added at the end of the page; it acts as a reader would and writes what it saw into the page.
"""

import io
import json
import re
import shutil
import subprocess
from html import escape, unescape

import pytest
from sample_record import sample_record

from benchsim.reports.html import write_html

BROWSER = shutil.which("chromium") or shutil.which("chromium-browser")
pytestmark = pytest.mark.skipif(BROWSER is None, reason="no chromium on this machine")


def seen(folder, probe, width=None):
    """What the script `probe` puts into `seen`, run after the page's own script.

    With `width` the page stands in a frame of so many pixels: no browser window is as narrow as a phone.
    """
    stream = io.StringIO()
    write_html(sample_record(), stream)
    script = (
        "<script>var seen = {}; try {" + probe + "} catch (error) { seen.error = '' + error; }"
        "var told = parent.document.createElement('pre'); told.id = 'probe';"
        "told.textContent = JSON.stringify(seen); parent.document.body.append(told);</script></body>"
    )
    page = stream.getvalue().replace("</body>", script)
    if width:
        page = (
            f'<body><iframe style="width: {width}px; height: 800px" srcdoc="{escape(page)}"></iframe></body>'
        )
    path = folder / "page.html"
    path.write_text(page, encoding="utf-8")
    command = [
        BROWSER,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={folder / 'profile'}",
    ]
    done = subprocess.run(
        [*command, "--dump-dom", path.as_uri()], capture_output=True, text=True, timeout=120, check=True
    )
    told = json.loads(unescape(re.search(r'<pre id="probe">(.*?)</pre>', done.stdout, flags=re.S)[1]))
    assert "error" not in told, told
    return told


LINES = """
var table = document.querySelector('table.verdicts');
function lines() {
  return Array.from(table.tBodies[0].rows).filter(function (line) { return !line.hidden; })
    .map(function (line) { return line.cells[1].textContent; });
}
function press(name) {
  Array.from(table.querySelectorAll('th [role=button]'))
    .find(function (button) { return button.textContent === name; }).click();
}
"""


def test_the_table_sorts_and_filters(tmp_path):
    told = seen(
        tmp_path,
        LINES
        + """
        var form = document.querySelector('.filter');
        seen.all = lines();
        press('rule'); seen.up = lines();
        press('rule'); seen.down = lines();
        press('margin'); seen.margin = lines();
        press('checked'); seen.checked = lines();
        press('outcome'); seen.again = lines();
        form.elements.find.value = 'kit'; form.dispatchEvent(new Event('input')); seen.kit = lines();
        seen.said = form.querySelector('output').textContent;
        form.elements.find.value = '';
        form.querySelectorAll('[name=outcome]').forEach(function (box) {
          box.checked = box.value === 'unseen';
        });
        form.dispatchEvent(new Event('input')); seen.unseen = lines();
        """,
    )
    assert told["all"][:4] == ["BUS-ACK", "KIT-PRICE-WHOLE", "BUS-SETTLE", "BUS-POLL-RATE"]
    assert told["up"] == sorted(told["all"])
    assert told["down"] == sorted(told["all"], reverse=True)
    # Least margin first; what was not measured stands last, whichever way.
    assert told["margin"][:5] == ["BUS-POLL-RATE", "BUS-ACK", "BUS-SETTLE", "BUS-GAP", "KIT-ANSWER"]
    assert told["checked"][-1] == "BUS-GAP"
    assert told["again"] == told["all"]
    assert told["kit"] == ["KIT-PRICE-WHOLE", "KIT-FRAME", "KIT-ANSWER"]
    assert told["said"] == "3 of 17 shown"
    assert told["unseen"] == ["BUS-RATE", "SYS-DOOR", "SYS-COLD"]


def test_print_unfolds_what_needs_a_look_and_folds_it_again(tmp_path):
    told = seen(
        tmp_path,
        """
        function open() { return document.querySelectorAll('.rule[open], .bench[open]').length; }
        document.querySelector('#look details').open = false;
        seen.before = open();
        dispatchEvent(new Event('beforeprint')); seen.print = open();
        dispatchEvent(new Event('afterprint')); seen.after = open();
        """,
    )
    # Four rules need a look, one of them was folded; the bench file is folded too.
    assert told == {"before": 3, "print": 5, "after": 3}


def test_nothing_is_wider_than_a_phone(tmp_path):
    told = seen(
        tmp_path,
        """
        seen.screen = innerWidth;
        seen.page = document.documentElement.scrollWidth;
        seen.wide = [];
        document.querySelectorAll('body *').forEach(function (each) {
          if (!each.closest('.scroll, nav, pre, svg') && each.getBoundingClientRect().right > innerWidth) {
            seen.wide.push(each.tagName + '.' + each.className);
          }
        });
        """,
        width=360,
    )
    assert told["wide"] == []
    assert told["page"] <= told["screen"] <= 360
