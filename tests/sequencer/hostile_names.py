"""Two hundred names that want to be something else: a script, a path, a formula, a wildcard, another direction."""

from __future__ import annotations

SCRIPTS = (
    "<script>document.title='ran'</script>", "<img src=x onerror=\"document.title='ran'\">",
    "\"><script>document.title='ran'</script>", "'><svg onload=\"document.title='ran'\">",
    "</title><script>document.title='ran'</script>", "</style><script>document.title='ran'</script>",
    "<iframe src=\"javascript:parent.document.title='ran'\">", "<body onload=document.title='ran'>",
    "<a href=\"javascript:document.title='ran'\">MV-0117</a>", "<style>@import 'x'</style>",
    "javascript:document.title='ran'", "<svg><script>document.title='ran'</script></svg>",
    "<details open ontoggle=\"document.title='ran'\">", "<math><mi onclick=\"document.title='ran'\">",
    "--><script>document.title='ran'</script>", "]]><script>document.title='ran'</script>",
    "<meta http-equiv=refresh content=0>", "<base href=//x.example/>", "<object data=x>",
    "<link rel=stylesheet href=x>",
)  # fmt: skip
TEMPLATES = (
    "{{ 7 * 7 }}",
    "{% raw %}",
    "{# x #}",
    "${7*7}",
    "$x^2$",
    "#{7*7}",
    "%s%n%x",
    "{0.__class__}",
    "%00",
    "\\x41",
)
QUOTES = ('"', "'", "`", '""', "''", '"\'', "\\", '\\"', "“bay”", "‘bay’", "&amp;", "&lt;b&gt;", "&#x3c;", "a&b", "a;b",
          "a,b",           'a",b', "a\tb", "a|b", "|")  # fmt: skip
PATHS = (
    "../../etc/passwd", "..", ".", "/", "//", "/etc/passwd", "~/.profile", "a/b", "a/../b", "..\\..\\x", "C:\\x", "CON",
    "NUL.html", "-rf", "--out", "x.html/", ".hidden", "a\x00.html", "%2e%2e%2f", "sheets/../../x", "file:///etc/passwd",
    "a:b", "a@b", "a?b", "a*b", "name.", "name ", " name", "...", "\u2025/x",
)  # fmt: skip
TURNED = (
    "\u202eevil", "a\u202eb\u202cc", "\u2066x\u2069", "\u2067x", "\u200fabc", "\u200eabc", "\u061cabc", "אבג", "مرحبا",
    "אבג-0117", "MV-\u202e7110", "\u202a\u202b\u202c\u202d", "a\u2028b", "a\u2029b", "\ufeffMV", "MV\u200b-0117",
    "MV\u2060",
    "\ud800x", "Z\u0334\u0351\u0357", "\ufffe",
)  # fmt: skip
FORMULAS = (
    "=1+1", "+1+1", "-1+1", "@SUM(A1)", "=HYPERLINK(\"x\")", "=cmd|'/C x'!A0", "\t=1+1", "\r=1+1", "\n=1+1", " =1+1",
    "−1", "＝1", "＋1", "－1", "＠x", "=", "+", "-", "@", "=\"x\"",
)  # fmt: skip
CONTROL = (
    *(f"a{chr(code)}b" for code in range(32)), "a\x7fb", "a\x80b", "a\x9bb", "\x1b[31mred", "\x1b]0;t\x07", "\x08\x08x",
)  # fmt: skip
LONG = ("W" * 200, "Ж" * 300, "i" * 1000, "a b " * 120, "<" * 200, "漢" * 150, "🔈" * 90, "_" * 255)
WILDCARDS = ("+", "#", "a/+/b", "a/#", "$SYS/x", "+/+", "/#", "nightramp/1/#", "a\x00#", "status")
PLAIN = (
    "MV-0117",
    "",
    " ",
    "0",
    "nan",
    "null",
    "None",
    "true",
    "1e9",
    "Ferry PA 2x60",
    "Größe",
    "naïve",
    "№ 7",
    "½",
    "π",
)
PAIRS = tuple(f"{a}{b}" for a in ("=", "<b>", "../", "\u202e") for b in ("MV-0117", "<i>", "#", "{{x}}", "'"))

NAMES = tuple(dict.fromkeys(
    (*SCRIPTS, *TEMPLATES, *QUOTES, *PATHS, *TURNED, *FORMULAS, *CONTROL, *LONG, *WILDCARDS, *PLAIN, *PAIRS)
))[:200]  # fmt: skip
