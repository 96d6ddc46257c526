//! Counts from workbooks, as ISO/IEC 29500 (.xlsx) and OASIS OpenDocument 1.2 (.ods) lay them down; the smallest
//! files that have what is needed.

use crate::run::Folder;
use std::io::{Cursor, Write};
use zip::write::SimpleFileOptions;

fn zipped(files: &[(&str, &str)]) -> Vec<u8> {
    let mut zip = zip::ZipWriter::new(Cursor::new(Vec::new()));
    let stored = SimpleFileOptions::default().compression_method(zip::CompressionMethod::Stored);
    for (name, content) in files {
        zip.start_file(*name, stored).unwrap();
        zip.write_all(content.as_bytes()).unwrap();
    }
    zip.finish().unwrap().into_inner()
}

/// Rows 3 to 6 hold a table of one walk, below a title; with a second sheet if named.
fn xlsx(second: Option<&str>) -> Vec<u8> {
    const MAIN: &str = "http://schemas.openxmlformats.org/spreadsheetml/2006/main";
    const RELATED: &str = "http://schemas.openxmlformats.org/officeDocument/2006/relationships";
    const PACKAGE: &str = "http://schemas.openxmlformats.org/package/2006";
    let text = |at: &str, text: &str| format!(r#"<c r="{at}" t="inlineStr"><is><t>{text}</t></is></c>"#);
    let mut rows = format!(r#"<row r="1">{}</row><row r="3">"#, text("A1", "Counts of one walk"));
    for (at, name) in [("A3", "field"), ("B3", "site"), ("C3", "count")] {
        rows += &text(at, name);
    }
    rows += "</row>";
    for (row, count) in [(4, "0"), (5, "7"), (6, "2.5")] {
        rows += &format!(
            r#"<row r="{row}">{}<c r="B{row}"><v>{}</v></c><c r="C{row}"><v>{count}</v></c></row>"#,
            text(&format!("A{row}"), "plover"),
            row - 3
        );
    }
    let sheet = format!(r#"<worksheet xmlns="{MAIN}"><sheetData>{rows}</sheetData></worksheet>"#);
    let more = second.map_or_else(String::new, |name| format!(r#"<sheet name="{name}" sheetId="2" r:id="r1"/>"#));
    let workbook = format!(
        r#"<workbook xmlns="{MAIN}" xmlns:r="{RELATED}"><sheets><sheet name="walks" sheetId="1" r:id="r1"/>{more}</sheets></workbook>"#
    );
    let relation = |id: &str, kind: &str, to: &str| {
        format!(
            r#"<Relationships xmlns="{PACKAGE}/relationships"><Relationship Id="{id}" Type="{RELATED}/{kind}" Target="{to}"/></Relationships>"#
        )
    };
    zipped(&[
        ("[Content_Types].xml", &format!(r#"<Types xmlns="{PACKAGE}/content-types"/>"#)),
        ("_rels/.rels", &relation("r1", "officeDocument", "xl/workbook.xml")),
        ("xl/workbook.xml", &workbook),
        ("xl/_rels/workbook.xml.rels", &relation("r1", "worksheet", "worksheets/sheet1.xml")),
        ("xl/worksheets/sheet1.xml", &sheet),
    ])
}

fn ods() -> Vec<u8> {
    const NAMES: &str = "urn:oasis:names:tc:opendocument:xmlns";
    let text = |text: &str| {
        format!(r#"<table:table-cell office:value-type="string"><text:p>{text}</text:p></table:table-cell>"#)
    };
    let number = |n: &str| format!(r#"<table:table-cell office:value-type="float" office:value="{n}"/>"#);
    let mut rows = format!("<table:table-row>{}{}{}</table:table-row>", text("field"), text("site"), text("count"));
    for (site, count) in [("1", "0"), ("2", "7"), ("3", "2")] {
        rows += &format!("<table:table-row>{}{}{}</table:table-row>", text("plover"), number(site), number(count));
    }
    let content = format!(
        r#"<office:document-content xmlns:office="{NAMES}:office:1.0" xmlns:table="{NAMES}:table:1.0" xmlns:text="{NAMES}:text:1.0"><office:body><office:spreadsheet><table:table table:name="walks">{rows}</table:table></office:spreadsheet></office:body></office:document-content>"#
    );
    let manifest = format!(r#"<manifest:manifest xmlns:manifest="{NAMES}:manifest:1.0"/>"#);
    zipped(&[
        ("mimetype", "application/vnd.oasis.opendocument.spreadsheet"),
        ("META-INF/manifest.xml", &manifest),
        ("content.xml", &content),
    ])
}

#[test]
fn a_sheet_is_read_like_text() {
    let folder = Folder::new();
    folder.write("counts.ods", ods()).write("counts.csv", "field,site,count\nplover,1,0\nplover,2,7\nplover,3,2\n");
    let fit = folder.run("fit counts.ods --json");
    assert_eq!(fit.code, Some(0), "{fit:?}");
    let text = folder.run("fit counts.csv --json").json();
    assert_eq!((&fit.json()["fields"], &fit.json()["common"]), (&text["fields"], &text["common"]));
}

#[test]
fn errors_name_the_row_of_the_sheet() {
    let folder = Folder::new();
    folder.write("one.xlsx", xlsx(None)).write("two.xlsx", xlsx(Some("notes")));
    let error = |words: &str| {
        let ran = folder.run(words);
        assert_eq!(ran.code, Some(2), "{ran:?}");
        ran.json()["errors"][0].clone()
    };
    let bad = error("fit one.xlsx --header-row 3 --json");
    assert_eq!((&bad["code"], &bad["row"], &bad["value"]), (&"counts_value".into(), &6.into(), &"2.5".into()));
    let sheet = error("fit two.xlsx --json");
    assert_eq!((&sheet["what"], &sheet["allowed"]), (&"--sheet".into(), &"one of walks, notes".into()));
    assert_eq!(error("fit two.xlsx --sheet walks --header-row 3 --json")["row"], 6);
    assert_eq!(error("fit two.xlsx --sheet none --json")["value"], "none");
    folder.write("broken.xlsx", b"PK\x03\x04rest").write("text.csv", "field,site,count\nplover,1,0\n");
    assert_eq!(error("fit broken.xlsx --json")["code"], "counts_encoding");
    assert_eq!(error("fit text.csv --sheet walks --json")["what"], "--sheet");
}
