"""PDFs of many pages, made at once: a page is lines of text, one under the other."""

from collections.abc import Sequence


def plain_pdf(pages: Sequence[Sequence[str]]) -> bytes:
    """A PDF with these pages; one without lines is as a scan, without text."""
    objects = [
        b"<< /Type /Catalog /Pages 2 0 R >>",
        b"<< /Type /Pages /Count %d /Kids [%s] >>"
        % (len(pages), b" ".join(b"%d 0 R" % (4 + 2 * at) for at in range(len(pages)))),
        b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>",
    ]
    for at, lines in enumerate(pages):
        drawn = b"".join(_line(line, 740 - 16 * place) for place, line in enumerate(lines))
        objects += [
            b"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 612 792] /Resources << /Font << /F1 3 0 R >> >> "
            b"/Contents %d 0 R >>" % (5 + 2 * at),
            b"<< /Length %d >>\nstream\n%s\nendstream" % (len(drawn), drawn),
        ]
    out, places = bytearray(b"%PDF-1.4\n"), []
    for number, body in enumerate(objects, 1):
        places.append(len(out))
        out += b"%d 0 obj\n%s\nendobj\n" % (number, body)
    start = len(out)
    out += b"xref\n0 %d\n0000000000 65535 f \n" % (len(objects) + 1)
    out += b"".join(b"%010d 00000 n \n" % place for place in places)
    out += b"trailer << /Size %d /Root 1 0 R >>\nstartxref\n%d\n%%%%EOF\n" % (len(objects) + 1, start)
    return bytes(out)


def _line(text: str, height: int) -> bytes:
    escaped = text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)")
    return b"BT /F1 11 Tf 60 %d Td (%s) Tj ET\n" % (height, escaped.encode("latin-1"))
