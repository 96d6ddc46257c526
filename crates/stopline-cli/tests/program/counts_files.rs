//! Counts as spreadsheets write them.

use crate::run::{Folder, TWO_FIELDS};

#[test]
fn marks_line_ends_quotes_and_separators_change_nothing() {
    let folder = Folder::new();
    folder.write("plain.csv", TWO_FIELDS);
    let expected = folder.does("fit plain.csv --json").json();
    let forms = [
        ("mark.csv", format!("\u{feff}{TWO_FIELDS}")),
        ("crlf.csv", TWO_FIELDS.replace('\n', "\r\n")),
        ("quoted.csv", TWO_FIELDS.replace("heron", "\"heron\"").replace("owl", "\"owl\"")),
        ("blank.csv", format!("{TWO_FIELDS}\n\n")),
        ("semicolon.csv", TWO_FIELDS.replace(',', ";")),
        ("tab.tsv", TWO_FIELDS.replace(',', "\t")),
    ];
    for (name, text) in forms {
        folder.write(name, text);
        assert_eq!(folder.does(&format!("fit {name} --json")).json(), expected, "{name}");
    }
}

#[test]
fn columns_missing_words_and_plants_are_as_asked() {
    let folder = Folder::new();
    folder.write(
        "own.csv",
        "plot,round,stop,n,a,b\nheron,1,1,3,0,1\nheron,1,2,5,9,9\nheron,1,3,3,.,1\nheron,1,4,3,2,2\n",
    );
    let ran = folder.run(
        "fit own.csv --field-column plot --visit-column round --site-column stop --plants-column n --count a,b \
         --missing . --plants 3 --json",
    );
    let fit = ran.json();
    let field = &fit["fields"][0];
    assert_eq!((&field["field"], &field["visit"]), (&"heron".into(), &"1".into()));
    // (0 + 1, 2 + 2) counted, one site missing, one of another size dropped.
    assert_eq!((&field["sites"], &field["missing"], &field["mean"]), (&2.into(), &1.into(), &2.5.into()));
    assert!(ran.err.contains("1 of 4 rows is dropped") && ran.err.contains("never 0"), "{}", ran.err);
}

/// The same counts, one row a site, a walk, a plant, a count with its number of sites, and with merged cells.
#[test]
fn what_a_row_is_changes_nothing() {
    let folder = Folder::new();
    let rows = "field,visit,site,plants,count\nheron,1,1,2,4\nheron,1,2,2,0\nheron,1,3,2,1\nowl,1,1,2,0\nowl,1,2,2,1\n";
    folder.write("sites.csv", rows);
    folder.write("filled.csv", rows.replace("heron,1,2", ",,2").replace("heron,1,3", ",,3").replace("owl,1,2", ",,2"));
    folder.write("wide.csv", "field,visit,plants,1,2,3\nheron,1,2,4,0,1\nowl,1,2,0,1,\n");
    folder.write(
        "plants.csv",
        "field,visit,site,count\nheron,1,1,3\nheron,1,1,1\nheron,1,2,0\nheron,1,2,0\nheron,1,3,0\nheron,1,3,1\n\
         owl,1,1,0\nowl,1,1,0\nowl,1,2,1\nowl,1,2,0\n",
    );
    folder.write(
        "frequencies.csv",
        "field,visit,plants,count,sites\nheron,1,2,0,1\nheron,1,2,1,1\nheron,1,2,4,1\nowl,1,2,0,1\nowl,1,2,1,1\n",
    );
    let fitted = |words: &str| folder.run(&format!("fit {words} --json")).json()["fields"].clone();
    let expected = fitted("sites.csv");
    for words in [
        "filled.csv --fill-down field,visit",
        "wide.csv --wide",
        "plants.csv --one-row-per plant",
        "frequencies.csv --frequencies",
    ] {
        assert_eq!(fitted(words), expected, "{words}");
    }
    let study = folder.run("fit frequencies.csv --frequencies --study --json").json();
    assert!(study["order"]["runs_is"].as_str().unwrap().contains("frequencies"));
    let bad = folder.run("fit wide.csv --wide --frequencies");
    assert_eq!(bad.code, Some(2), "{}", bad.err);
}

#[test]
fn counts_come_from_standard_input_too() {
    let folder = Folder::new();
    folder.write("plain.csv", TWO_FIELDS);
    let file = std::fs::File::open(folder.path("plain.csv")).unwrap();
    let output = folder.command("fit - --json").stdin(file).output().unwrap();
    assert_eq!(String::from_utf8(output.stdout).unwrap(), folder.does("fit plain.csv --json").out);
}
