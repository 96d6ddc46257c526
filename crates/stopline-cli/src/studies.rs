//! `stopline study`: a grid of simulations that goes on where it was stopped.
//!
//! The folder of a study holds its grid in `study.json` and the cells that are done in `shard-N.jsonl`, a shard for each
//! time that the program was started.

use crate::arguments::Study as Arguments;
use crate::failure::Failure;
use crate::output::{self, Answer};
use crate::watch::{Watched, while_writing};
use crate::words::many;
use crate::{input, resample, simulated, values};
use serde::Serialize;
use std::collections::BTreeMap;
use std::fs::{self, File, OpenOptions};
use std::io;
use std::path::{Path, PathBuf};
use stopline::simulate::Run;
use stopline::study::shard;
use stopline::study::{Crossed, Grid, Real, run as run_cells, table};
use stopline::{Code, Error, Share};

/// What a study came to, for programs.
#[derive(Serialize)]
struct Came {
    format: &'static str,
    version: u32,
    study: String,
    cells: usize,
    computed: usize,
    out: String,
}

pub fn run(args: &Arguments, json: bool) -> Result<Answer, Failure> {
    let grid = grid(args)?;
    let workers = args.workers.as_deref().map_or(Ok(0), |text| values::whole("--workers", text, 1, 1024))?;
    let folder = &args.folder;
    let failed = |e: &io::Error| refused("folder of the study", e, folder);
    fs::create_dir_all(folder).map_err(|e| failed(&e))?;
    let mut cells = known(folder, &grid)?;
    let before = cells.len();
    if before < grid.cells() {
        let mut shard = begin(folder, &grid)?;
        let mut sink = |_: usize, text: &str| {
            let _whole = while_writing();
            shard::append(&mut shard, &shard::line(text))
        };
        let pool = rayon::ThreadPoolBuilder::new().num_threads(workers).build();
        let pool = pool.map_err(|e| Error::new(Code::TooMuchWork, "--workers", workers, e.to_string()))?;
        let watch = Watched::with_bar();
        pool.install(|| run_cells(&grid, &mut cells, &mut sink, &watch))
            .map_err(|e| Failure::from(e).in_file(&folder.display().to_string()))?;
    }
    let out = args.out.clone().unwrap_or_else(|| folder.join("results.csv"));
    let computed = grid.cells() - before;
    let came = Came {
        format: "stopline/study_done",
        version: 1,
        study: grid.digest().to_string(),
        cells: grid.cells(),
        computed,
        out: out.display().to_string(),
    };
    let mut answer = if json {
        Answer::json(&came)
    } else {
        let cells = many(grid.cells() as u64, "cell");
        Answer::text(format!("{cells}, {computed} computed now; one row a cell and mean or real walk\n"))
    };
    answer.files.push((out, table(&grid, &cells)?));
    Ok(answer)
}

fn grid(args: &Arguments) -> Result<Grid, Failure> {
    let means = args.means.as_deref().map(|text| values::list("--means", text, values::mean)).transpose()?;
    let k = match &args.k {
        Some(text) => values::list("--k", text, values::k)?.into_iter().map(Some).collect(),
        None => vec![None],
    };
    let shared = match &args.shared {
        Some(text) => values::list("--shared", text, values::share)?,
        None => vec![Share::new(0.0)?],
    };
    let run = if shared.iter().any(|share| share.get() > 0.0) {
        simulated::run(args.run.as_deref(), args.whole_walk)?
    } else {
        Run::WholeWalk
    };
    let real = args.resample.as_deref().map(|path| real(args, path)).transpose()?;
    let name = |path: &PathBuf| path.file_name().unwrap_or(path.as_os_str()).to_string_lossy().into_owned();
    let plans = args.plans.iter().map(|path| Ok((name(path), input::plan(path)?))).collect::<Result<_, Failure>>()?;
    Ok(Grid::new(Crossed {
        plans,
        k,
        shared,
        run,
        means: means.unwrap_or_default(),
        real,
        walks: values::whole("--simulate", &args.simulate, 2, 1_000_000_000_000)?,
        repeats: values::whole("--repeats", args.repeats.as_deref().unwrap_or("1"), 1, 1_000_000)?,
        seed: args.seed.as_deref().map_or(Ok(1), |text| values::whole("--seed", text, 0, (1 << 53) - 1))?,
    })?)
}

/// Real walks, and the ways in which they are drawn again.
fn real(args: &Arguments, path: &Path) -> Result<Real, Failure> {
    if let Some(most) = &args.reading.counted_to {
        let allowed = "walks counted in full: others do not tell their mean";
        return Err(Error::new(Code::Combination, "--counted-to", most, allowed).into());
    }
    let block = resample::block(&args.redraw, args.block.as_deref())?;
    let ways = args.redraw.iter().map(|way| resample::redraw(way, block)).collect();
    let real = Real::new(&input::counts(path, &args.reading)?, ways);
    real.map_err(|e| Failure::from(e).in_file(&path.display().to_string()))
}

fn refused(what: &str, e: &io::Error, path: &Path) -> Failure {
    let allowed = "a folder that is there, has room and may be written to";
    Failure::from(Error::new(Code::FileWrite, what, format!("not usable ({e})"), allowed))
        .in_file(&path.display().to_string())
}

/// The cells that are done; a folder with another study is refused, one without any is made the folder of this.
fn known(folder: &Path, grid: &Grid) -> Result<BTreeMap<usize, String>, Failure> {
    let spec = folder.join("study.json");
    let mut cells = BTreeMap::new();
    match fs::read_to_string(&spec) {
        Err(e) if e.kind() == io::ErrorKind::NotFound => {
            output::write_files(&[(spec, grid.to_json() + "\n")])?;
            return Ok(cells);
        }
        Err(e) => return Err(refused("grid of the study", &e, &spec)),
        Ok(text) if text.trim_end() != grid.to_json() => {
            let allowed = "the same plans and flags as before, or another --folder";
            let error = Error::new(Code::Combination, "study in the folder", "another", allowed);
            return Err(Failure::from(error).in_file(&spec.display().to_string()));
        }
        Ok(_) => {}
    }
    for path in shards(folder)? {
        let bytes = fs::read(&path).map_err(|e| refused("shard of the study", &e, &path))?;
        shard::read(&bytes, grid, &mut cells).map_err(|e| Failure::from(e).in_file(&path.display().to_string()))?;
    }
    Ok(cells)
}

fn shards(folder: &Path) -> Result<Vec<PathBuf>, Failure> {
    let entries = fs::read_dir(folder).and_then(Iterator::collect::<io::Result<Vec<_>>>);
    let entries = entries.map_err(|e| refused("folder of the study", &e, folder))?;
    let mut paths: Vec<PathBuf> =
        entries.iter().map(fs::DirEntry::path).filter(|path| number(path).is_some()).collect();
    paths.sort_by_key(|path| number(path));
    Ok(paths)
}

/// Number of a shard.
fn number(path: &Path) -> Option<u64> {
    path.file_name()?.to_str()?.strip_prefix("shard-")?.strip_suffix(".jsonl")?.parse().ok()
}

/// A shard of its own for this run.
fn begin(folder: &Path, grid: &Grid) -> Result<File, Failure> {
    let mut next = shards(folder)?.last().and_then(|path| number(path)).unwrap_or(0);
    loop {
        next += 1;
        let path = folder.join(format!("shard-{next}.jsonl"));
        match OpenOptions::new().append(true).create_new(true).open(&path) {
            // Another process began one just now.
            Err(e) if e.kind() == io::ErrorKind::AlreadyExists => {}
            Err(e) => return Err(refused("shard of the study", &e, &path)),
            Ok(mut shard) => {
                shard::append(&mut shard, &shard::head(grid))
                    .map_err(|e| Failure::from(e).in_file(&path.display().to_string()))?;
                // That the shard is there must last as its lines do.
                #[cfg(unix)]
                File::open(folder)
                    .and_then(|folder| folder.sync_all())
                    .map_err(|e| refused("folder of the study", &e, folder))?;
                return Ok(shard);
            }
        }
    }
}
