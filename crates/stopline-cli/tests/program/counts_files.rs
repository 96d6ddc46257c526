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
        let mut got = folder.does(&format!("fit {name} --json")).json();
        // Where it comes from differs, and is told.
        assert_eq!(got["made_by"]["command"], format!("stopline fit {name} --json"));
        got["made_by"] = expected["made_by"].clone();
        assert_eq!(got, expected, "{name}");
    }
}

#[test]
fn plants_and_needed_fields_are_told() {
    let folder = Folder::new();
    let mut table = "field,site,count\n".to_owned();
    for (field, site) in (0..4).flat_map(|field| (1..=12).map(move |site| (field, site))) {
        for plant in 0..2 {
            table +=
                &format!("F{field},{site},{}\n", (7 * site * site + 5 * field + plant) % 11 / 3 * ((site + field) % 3));
        }
    }
    folder.write("plants.csv", &table);
    let words = "fit plants.csv --one-row-per plant --minutes-site 1 --minutes-plant 0.5 --quality 0.2";
    let text = folder.run(words).out;
    assert!(
        text.contains("variance between plants") && text.contains("tell most") && text.contains("20 % need"),
        "{text}"
    );
    let fit = folder.run(&format!("{words} --json")).json();
    let told = &fit["plants_of_sites"];
    assert!(told["best_plants"].as_u64() >= Some(1) && told["variance_between_sites"].as_f64() > Some(0.0));
    assert_eq!(fit["needed"]["wanted"], 0.2);
    // Totals alone do not tell.
    folder.write("plain.csv", TWO_FIELDS);
    let fit = folder.run("fit plain.csv --minutes-site 1 --minutes-plant 0.5 --json").json();
    assert!(fit["plants_of_sites"].is_null() && fit["plants_of_sites_is"].as_str().unwrap().contains("totals"));
    assert_eq!(folder.run("fit plain.csv --quality 2").code, Some(2));
    assert_eq!(folder.run("fit plain.csv --minutes-site 1 --minutes-plant 0").code, Some(2));
}

/// SHA-256 of the file by its definition (FIPS 180-4), as a general-purpose tool gives it.
#[test]
fn a_fit_tells_where_it_comes_from() {
    let folder = Folder::new();
    folder.write("two.csv", "field,site,count\nheron,1,2\nheron,2,0\n");
    let fit = folder.run("fit two.csv --study --draws 99 --seed 7 --json").json();
    let made_by = &fit["made_by"];
    // sha256sum of these 37 bytes.
    let digest = "sha256:1655b31153c0b4a281e5732a00668c8066b1b80078011e4cc646265237333467";
    assert_eq!((&made_by["input"], &made_by["seed"]), (&digest.into(), &7.into()));
    assert_eq!((&made_by["name"], &made_by["version"]), (&"stopline".into(), &env!("CARGO_PKG_VERSION").into()));
    assert_eq!(made_by["command"], "stopline fit two.csv --study --draws 99 --seed 7 --json");
}

#[test]
fn a_table_of_walks_as_csv() {
    let folder = Folder::new();
    folder.write("plain.csv", TWO_FIELDS);
    let ran = folder.does("fit plain.csv --study --draws 99 --csv walks.csv");
    assert!(ran.out.contains("Written: walks.csv"), "{}", ran.out);
    let text = folder.read("walks.csv");
    let rows: Vec<Vec<&str>> = text.lines().map(|line| line.split(',').collect()).collect();
    let fit = folder.does("fit plain.csv --json").json();
    assert_eq!(rows.len(), 1 + fit["fields"].as_array().unwrap().len());
    let column = |name: &str| rows[0].iter().position(|known| *known == name).unwrap();
    for (row, field) in rows[1..].iter().zip(fit["fields"].as_array().unwrap()) {
        assert_eq!(row[column("field")], field["field"].as_str().unwrap());
        let k = field["k"].as_f64().unwrap_or(f64::INFINITY);
        assert_eq!(row[column("k")].parse::<f64>().unwrap(), k);
        assert_eq!(row[column("input")], fit["made_by"]["input"].as_str().unwrap());
        assert!(!row[column("poisson_p")].is_empty() && row[column("seed")] == "1");
    }
    let refused = folder.run("fit plain.csv --csv plain.csv");
    assert_eq!((refused.code, folder.read("plain.csv")), (Some(2), TWO_FIELDS.to_owned()));
}

/// Beall's four treatments of 120 hills (1940, Ecology 21:460–474; tables in Bliss & Fisher 1953, Biometrics 9:176–200)
/// by their means and variances alone: the laws of the counts (values derived from the tables).
#[test]
fn summaries_give_the_laws_of_variance() {
    let folder = Folder::new();
    let treatments: [&[u32]; 4] = [
        &[19, 12, 18, 18, 11, 12, 7, 8, 4, 4, 1, 0, 1, 1, 0, 1, 0, 1, 0, 1, 0, 0, 0, 0, 0, 0, 1],
        &[24, 16, 16, 18, 15, 9, 6, 5, 3, 4, 3, 0, 1],
        &[43, 35, 17, 11, 5, 4, 1, 2, 2],
        &[47, 23, 27, 9, 7, 3, 1, 1, 0, 0, 1, 1],
    ];
    let mut table = "field;sites;mean;variance\n".to_owned();
    for (field, frequencies) in treatments.into_iter().enumerate() {
        let all = || (0_u32..).zip(frequencies).map(|(x, n)| (f64::from(x), f64::from(*n)));
        let n: f64 = all().map(|(_, n)| n).sum();
        let mean = all().map(|(x, n)| n * x).sum::<f64>() / n;
        let variance = all().map(|(x, f)| f * (x - mean) * (x - mean)).sum::<f64>() / (n - 1.0);
        table += &format!("T{field};{n};{mean};{variance}\n");
    }
    folder.write("summary.csv", &table);
    let fit = folder.run("fit summary.csv --summary --at-means 0.5,2 --json").json();
    let near =
        |got: &serde_json::Value, want: f64| assert!((got.as_f64().unwrap() - want).abs() < 1e-4, "{got} {want}");
    let laws = &fit["mean_variance"];
    near(&laws["power_law"]["a"], 1.8509);
    near(&laws["power_law"]["b"]["value"], 1.4432);
    near(&laws["patchiness"]["alpha"]["value"], 0.2964);
    near(&laws["patchiness"]["beta"]["value"], 1.5796);
    // k = m²/(a·m^b − m), by hand.
    near(&laws["k_at"][1]["k"], 4.0 / (1.850_9 * 2.0_f64.powf(1.443_2) - 2.0));
    assert_eq!(
        (&laws["k_at"][0]["among_the_means"], &laws["k_at"][1]["among_the_means"]),
        (&false.into(), &true.into())
    );
    assert!(fit["common"].is_null() && fit["common_is"].as_str().unwrap().contains("counts themselves"));
    let text = folder.does("fit summary.csv --summary --at-means 0.5,2").out;
    assert!(text.contains("k by the power law") && text.contains("a guess"), "{text}");
    folder.write("bad.csv", "field,sites,mean,variance\na,0,1,2\nb,9,-1,2\nc,9,1,x\nd,9,0,1\ne,9,1,NA\ne,9,1,1\n");
    let errors = folder.run("fit bad.csv --summary --json").json();
    let rows: Vec<_> = errors["errors"].as_array().unwrap().iter().map(|e| e["row"].as_u64().unwrap()).collect();
    assert_eq!(rows, [2, 3, 4, 5, 7]);
    assert_eq!(folder.run("fit plain.csv --at-means 1").code, Some(2));
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
    let of = |out: &str| out.replace("plain.csv", "-");
    assert_eq!(String::from_utf8(output.stdout).unwrap(), of(&folder.does("fit plain.csv --json").out));
}
