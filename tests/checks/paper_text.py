"""Text of a PDF, page by page, as an independent library reads it: {"pages": [text, ...], ...}."""

import json
import sys

from pypdf import PdfReader

reader = PdfReader(sys.argv[1])


def embedded(font):
    if font["/Subtype"] == "/Type0":
        font = font["/DescendantFonts"][0].get_object()
    descriptor = font.get("/FontDescriptor")
    if descriptor is None:
        return False
    return any(name in descriptor.get_object() for name in ("/FontFile", "/FontFile2", "/FontFile3"))


fonts = [
    font.get_object()
    for page in reader.pages
    for font in page["/Resources"]["/Font"].values()
]
json.dump(
    {
        "pages": [page.extract_text() for page in reader.pages],
        "title": reader.metadata.title,
        "has_dates": reader.metadata.creation_date is not None
        or reader.metadata.modification_date is not None,
        "all_embedded": all(embedded(font) for font in fonts),
        "paper": [float(side) for side in reader.pages[0].mediabox[2:]],
    },
    sys.stdout,
)
