"""Elements of a picture; text and attributes are escaped by construction.

Pictures stand alone as files and stand inline in the report, so they carry no style sheet, no
script and no link: presentation attributes only.
"""

from xml.etree.ElementTree import Element, SubElement, tostring

INK, FAINT, RULE, ALERT, ACCENT = "#1b1b1b", "#4a4a4a", "#8c8c8c", "#8f1d00", "#0b4f8a"
PAPER = "#ffffff"
FONT = "system-ui, 'Segoe UI', 'Noto Sans', 'Liberation Sans', sans-serif"


def picture(identity: str, width: float, height: float, title: str, description: str) -> Element:
    """Start a picture with its text alternative.

    Args:
        identity: Unique in the page; letters, digits and hyphens.
        width: In user units, which are CSS pixels.
        height: The same.
        title: What it is, in a few words. Clean text.
        description: What it shows, for who cannot see it. Clean text.
    """
    root = Element(
        "svg",
        {
            "xmlns": "http://www.w3.org/2000/svg",
            "viewBox": f"0 0 {number(width)} {number(height)}",
            "width": number(width),
            "height": number(height),
            "role": "img",
            "aria-labelledby": f"{identity}-title {identity}-desc",
            "font-family": FONT,
        },
    )
    SubElement(root, "title", {"id": f"{identity}-title"}).text = title
    SubElement(root, "desc", {"id": f"{identity}-desc"}).text = description
    return root


def add(parent: Element, tag: str, text: str | None = None, **attributes: str | float) -> Element:
    """Add an element; an underscore in an attribute's name stands for a hyphen."""
    named = {
        key.replace("_", "-"): value if isinstance(value, str) else number(value)
        for key, value in attributes.items()
    }
    element = SubElement(parent, tag, named)
    element.text = text
    return element


def number(value: float) -> str:
    """A coordinate to a tenth of a pixel."""
    return f"{value:.1f}".removesuffix(".0")


def markup(root: Element) -> str:
    """The picture as text."""
    return tostring(root, encoding="unicode")
