"""Office documents written part by part, after the examples of their standards."""

from __future__ import annotations

import io
from collections.abc import Mapping
from zipfile import ZIP_DEFLATED, ZIP_STORED, ZipFile, ZipInfo

OFFICE = "http://schemas.openxmlformats.org/officeDocument/2006/relationships"
SHEET = "http://schemas.openxmlformats.org/spreadsheetml/2006/main"
PACKAGE = "http://schemas.openxmlformats.org/package/2006"


def archive(parts: Mapping[str, str | bytes], packing: int = ZIP_DEFLATED) -> bytes:
    """An archive with these members in their order, the same bytes for the same parts."""
    out = io.BytesIO()
    with ZipFile(out, "w") as file:
        for name, data in parts.items():
            how = ZIP_STORED if name == "mimetype" else packing
            file.writestr(ZipInfo(name), data, how)
    return out.getvalue()


def relations(targets: Mapping[str, tuple[str, str]]) -> str:
    """A part of relations, by id: type without its beginning, and target."""
    rows = "".join(
        f'<Relationship Id="{one}" Type="{OFFICE}/{kind}" Target="{target}"/>'
        for one, (kind, target) in targets.items()
    )
    return f'<Relationships xmlns="{PACKAGE}/relationships">{rows}</Relationships>'


def package(main: str, parts: Mapping[str, str | bytes], packing: int = ZIP_DEFLATED) -> bytes:
    """A document of ISO/IEC 29500 whose main part is `main`."""
    known = '<Default Extension="xml" ContentType="application/xml"/>'
    types = f'<Types xmlns="{PACKAGE}/content-types">{known}</Types>'
    first = {"[Content_Types].xml": types, "_rels/.rels": relations({"r1": ("officeDocument", main)})}
    return archive({**first, **parts}, packing)


def workbook_parts(
    rows: str, *, strings: str = "", styles: str = "", head: str = "", name: str = "Glazes"
) -> dict[str, str | bytes]:
    """The parts of a spreadsheet of one sheet whose rows are `rows`."""
    parts: dict[str, str | bytes] = {
        "xl/workbook.xml": f'<workbook xmlns="{SHEET}" xmlns:r="{OFFICE}">{head}<sheets>'
        f'<sheet name="{name}" sheetId="1" r:id="rId1"/></sheets></workbook>',
        "xl/_rels/workbook.xml.rels": relations(
            {
                "rId1": ("worksheet", "worksheets/sheet1.xml"),
                "rId2": ("sharedStrings", "sharedStrings.xml"),
                "rId3": ("styles", "styles.xml"),
            }
        ),
        "xl/worksheets/sheet1.xml": f'<worksheet xmlns="{SHEET}"><sheetData>{rows}</sheetData></worksheet>',
    }
    if strings:
        parts["xl/sharedStrings.xml"] = f'<sst xmlns="{SHEET}">{strings}</sst>'
    if styles:
        parts["xl/styles.xml"] = f'<styleSheet xmlns="{SHEET}">{styles}</styleSheet>'
    return parts


def workbook(rows: str, *, packing: int = ZIP_DEFLATED, **more: str) -> bytes:
    """A spreadsheet of one sheet."""
    return package("xl/workbook.xml", workbook_parts(rows, **more), packing)
