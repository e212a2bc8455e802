//! The site's own segmenter from end to end: its answer is taken as a supplied region, and whatever else it does ends in
//! one finding and the automatic region.

use super::adult;
use super::given::nifti;
use serde_json::Value;
use siderolog::phantom::{self, Recipe, Scan};
use siderolog::study::Digest;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

const PROGRAM: &str = env!("CARGO_BIN_EXE_siderolog");

/// A study in `in`, and beside it the true liver as a label image, right and on another grid.
struct Bench {
    folder: tempfile::TempDir,
    liver: Vec<u8>,
    voxels: usize,
}

/// What one run gave.
struct Given {
    result: Value,
    run: Value,
    place: PathBuf,
}

impl Given {
    fn findings(&self, code: &str) -> Vec<&Value> {
        self.result["findings"].as_array().unwrap().iter().filter(|f| f["code"] == code).collect()
    }
    fn method(&self) -> &str {
        self.result["roi"]["method"].as_str().unwrap()
    }
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        let scan: Scan = phantom::scan(&adult());
        phantom::write(&scan, &folder.path().join("in")).unwrap();
        let (truth, grid) = (scan.truth(), scan.parts().grid);
        let label = |k: usize| u8::from(truth.parenchyma[k]);
        let liver = nifti(&grid, 0.0, label);
        fs::write(folder.path().join("mask.nii"), &liver).unwrap();
        fs::write(folder.path().join("moved.nii"), nifti(&grid, 1.1, label)).unwrap();
        let voxels = truth.parenchyma.iter().filter(|&&inside| inside).count();
        Self { folder, liver, voxels }
    }
    fn path(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }
    /// A site file whose segmenter is this script; `$1` is its folder, `$B` the bench's.
    fn site(&self, script: &str, limits: &str) -> PathBuf {
        fs::write(self.path("own.sh"), format!("B={}\n{script}\n", self.folder.path().display())).unwrap();
        let path = self.path("site.yaml");
        let command = format!("command: [/bin/sh, {}]", self.path("own.sh").display());
        fs::write(&path, format!("segmenter:\n  {command}\n  name: ward segmenter 2.1\n{limits}")).unwrap();
        path
    }
    fn analyse(&self, name: &str, more: &[&str]) -> Output {
        let out = self.path(name);
        let mut command = Command::new(PROGRAM);
        command.arg("analyse").arg(self.path("in")).arg("--out").arg(out).arg("--json").args(more).output().unwrap()
    }
    fn with(&self, script: &str, limits: &str) -> Given {
        let site = self.site(script, limits);
        let out = self.path("out");
        let _ = fs::remove_dir_all(&out);
        let given = only(&self.analyse("out", &["--site", site.to_str().unwrap()]));
        // Nothing but the result and the account of the files is left.
        let left: Vec<String> =
            fs::read_dir(&out).unwrap().map(|e| e.unwrap().file_name().into_string().unwrap()).collect();
        assert!(left.len() == 2 && left.iter().all(|name| !name.starts_with('.')), "{left:?}");
        assert!(!given.place.join("request.json").exists() && !given.place.join("magnitude.nii.gz").exists());
        given
    }
}

fn read(path: &Path) -> Value {
    serde_json::from_slice(&fs::read(path).unwrap()).unwrap()
}

fn results(output: &Output) -> Vec<PathBuf> {
    let (text, errors) = (String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr));
    let answer: Value = serde_json::from_str(text.lines().last().unwrap_or_else(|| panic!("{errors}"))).unwrap();
    answer["results"].as_array().unwrap().iter().map(|path| PathBuf::from(path.as_str().unwrap())).collect()
}

fn only(output: &Output) -> Given {
    let [path] = &results(output)[..] else { panic!("not one result") };
    Given { result: read(path), run: read(&path.with_file_name("run.json")), place: path.parent().unwrap().into() }
}

#[test]
fn an_answer_is_measured_as_drawn_and_the_result_says_whose_it_is() {
    let bench = Bench::new();
    // It looks at what it was given before it answers.
    let script = "cd \"$1\" || exit 1; gzip -t magnitude.nii.gz || exit 2; \
                  grep -q '\"patient_id\": \"' request.json || exit 3; grep -q 'frame_of_reference_uid' request.json || exit 4; \
                  cp \"$B/mask.nii\" liver.nii";
    let given = bench.with(script, "");
    assert_eq!(given.method(), "supplied", "{}", given.run);
    assert_eq!(given.result["roi"]["voxels"], bench.voxels);
    let segmenter = &given.result["roi"]["segmenter"];
    assert_eq!(segmenter["name"], "ward segmenter 2.1");
    assert_eq!(segmenter["file"], "liver.nii");
    assert_eq!(segmenter["digest"], Digest::of(&bench.liver).as_str());
    assert!(given.findings("segmenter-failed").is_empty() && given.findings("region-refused").is_empty());
    assert_eq!(given.run["segmenter"].as_array().unwrap().len(), 1);
    assert_eq!(given.run["segmenter"][0]["outcome"], "ended");
    let page = fs::read_to_string(given.place.join("report.html")).unwrap();
    assert!(page.contains("own segmenter ward segmenter 2.1"));
    let seg = fs::read(given.place.join("roi.dcm")).unwrap();
    let holds = |text: &[u8]| seg.windows(text.len()).any(|part| part == text);
    assert!(holds(b"method=supplied segmenter=ward segmenter 2.1") && !holds(b"SEMIAUTOMATIC"));
    // `verify` needs the site, and then the segmenter gives the same again.
    let verify = |more: &[&str]| {
        let mut command = Command::new(PROGRAM);
        command.arg("verify").arg(&given.place).arg("--input").arg(bench.path("in")).args(more).status().unwrap().code()
    };
    assert_eq!(verify(&[]), Some(2));
    assert_eq!(verify(&["--site", bench.path("site.yaml").to_str().unwrap()]), Some(0));
}

#[test]
fn every_failure_is_one_finding_and_the_automatic_region() {
    let bench = Bench::new();
    let plain = only(&bench.analyse("plain", &[]));
    assert!(plain.method() == "automatic" && plain.result["roi"].get("segmenter").is_none());
    assert!(plain.run.get("segmenter").is_none());
    let cases = [
        ("exit 1", "", "broke off with status 1"),
        ("sleep 600 & sleep 600", "  wall_s: 0.5\n", "did not end within 0.5 s"),
        ("no-such-program", "", "could not be started"),
        ("true", "", "left no answer"),
        ("cp $B/mask.nii $1/LIVER.NII", "", "left no answer"),
        (
            "cp $B/mask.nii $1/liver.nii; cp $B/mask.nii $1/liver.dcm",
            "",
            "left more than one answer: liver.nii, liver.dcm",
        ),
        ("ln -s /etc/passwd $1/liver.nii", "", "left an answer that cannot be read: liver.nii: a symbolic link"),
        ("ln -s $B/mask.nii $1/liver.nii", "", "left an answer that cannot be read: liver.nii: a symbolic link"),
        ("mkdir $1/liver.nii", "", "left an answer that cannot be read: liver.nii: not a regular file"),
        ("mkfifo $1/liver.dcm", "", "left an answer that cannot be read: liver.dcm: not a regular file"),
        (
            "head -c 2000000 /dev/zero > $1/liver.nii",
            "  answer_mb: 1\n",
            "left an answer that is larger than 1 MiB: liver.nii",
        ),
        ("cat /dev/zero > $1/liver.nii", "  {folder_mb: 2, answer_mb: 1}\n", "broke off with status 153"),
        ("rm -rf $1/*; mkdir -p $1/result.json/x; chmod 000 $1/result.json; exit 9", "", "broke off with status 9"),
    ];
    for (script, limits, how) in cases {
        let limits = limits.trim().trim_matches(['{', '}']).replace(", ", "\n  ");
        let given = bench.with(script, &format!("  {limits}\n"));
        let [finding] = given.findings("segmenter-failed")[..] else { panic!("{script}: {}", given.result) };
        assert_eq!(finding["found"], how, "{script}");
        assert_eq!((&finding["severity"], &finding["stage"]), (&"warn".into(), &"roi".into()));
        assert!(finding["advice"].is_string() && finding["message"].as_str().unwrap().contains("ward segmenter 2.1"));
        assert_eq!(given.result["verdict"], "review");
        for key in ["roi", "r2star_per_s", "lic_mg_per_g", "fit"] {
            assert_eq!(given.result[key], plain.result[key], "{script}: {key}");
        }
    }
    // What can be read but does not fit is refused as any other region is.
    let noise = "echo noise > $1/liver.nii.gz";
    // An element that says it has four gigabytes, and a gigabyte of nothing packed into little.
    let mut long = [[0; 128].as_slice(), b"DICM", &[2, 0, 0x10, 0], b"UI", &[20, 0], b"1.2.840.10008.1.2.1\0"].concat();
    long.extend([&[0x62, 0, 2, 0], b"OB".as_slice(), &[0, 0], &0xffff_fff0_u32.to_le_bytes(), &[0; 64]].concat());
    fs::write(bench.path("long.dcm"), long).unwrap();
    for (script, why) in [
        ("cp $B/moved.nii $1/liver.nii", "it lies on another grid"),
        (noise, "it does not begin as a NIfTI-1 header"),
        ("head -c 1000000000 /dev/zero | gzip -1 > $1/liver.nii.gz", "it does not begin as a NIfTI-1 header"),
        ("cp $B/long.dcm $1/liver.dcm", "it cannot be read as DICOM"),
        ("cp $B/in/$(cd $B/in; find . -name '*.dcm' | head -1) $1/liver.dcm", "it is another kind of DICOM object"),
    ] {
        let given = bench.with(script, "");
        let [finding] = given.findings("region-refused")[..] else { panic!("{script}: {}", given.result) };
        let message = finding["message"].as_str().unwrap();
        assert!(message.starts_with("The region in liver.") && message.contains(why), "{message}");
        assert!(message.ends_with("It is the answer of the site's segmenter ward segmenter 2.1."), "{message}");
        assert_eq!(given.result["roi"], plain.result["roi"], "{script}");
    }
}

#[test]
fn a_region_that_a_person_gave_goes_before_it() {
    let bench = Bench::new();
    let mask = "cp $B/mask.nii $1/liver.nii";
    let first = bench.with("exit 1", "");
    // A person's: it is not asked.
    let site = bench.site(mask, "");
    let amend = |region: &str| {
        let mut command = Command::new(PROGRAM);
        command.arg("amend").arg(&first.place).arg("--input").arg(bench.path("in"));
        command.arg("--region").arg(bench.path(region)).args(["--by", "Dr Example", "--why", "a vessel", "--json"]);
        command.arg("--site").arg(&site).output().unwrap()
    };
    let amended = only(&amend("mask.nii"));
    assert_eq!(amended.method(), "amended");
    assert!(amended.run.get("segmenter").is_none(), "{}", amended.run);
    assert_eq!(amend("moved.nii").status.code(), Some(2));
    // One delivered beside the series that fits: neither.
    let beside = bench.path("in/drawn.nii");
    fs::copy(bench.path("mask.nii"), &beside).unwrap();
    let given = bench.with("exit 1", "");
    assert_eq!((given.method(), given.run.get("segmenter")), ("supplied", None));
    assert!(given.result["roi"].get("segmenter").is_none() && given.findings("segmenter-failed").is_empty());
    // One that does not fit is told, and the segmenter is asked.
    fs::copy(bench.path("moved.nii"), &beside).unwrap();
    let given = bench.with(mask, "");
    assert_eq!(given.result["roi"]["segmenter"]["name"], "ward segmenter 2.1");
    let [finding] = given.findings("region-refused")[..] else { panic!("{}", given.result) };
    assert!(finding["message"].as_str().unwrap().contains("drawn.nii"));
}

#[test]
fn every_acquisition_of_a_delivery_is_asked_for_by_itself() {
    let bench = Bench::new();
    let mut other = Recipe { seed: 77, ..adult() };
    other.grid.slices = 2;
    phantom::write(&phantom::scan(&other), &bench.path("in/other")).unwrap();
    // Only the one with three slices gets its region; what the first run left must not answer the second.
    let script = "tr -d ' \\n' < $1/request.json | grep -q '\"shape\":\\[[0-9]*,[0-9]*,3,' || exit 0; cp $B/mask.nii $1/liver.nii";
    let site = bench.site(script, "");
    let output = bench.analyse("out", &["--site", site.to_str().unwrap()]);
    let paths = results(&output);
    assert_eq!(paths.len(), 2);
    for path in paths {
        let (result, run) = (read(&path), read(&path.with_file_name("run.json")));
        assert_eq!(run["segmenter"].as_array().unwrap().len(), 2);
        let expected = if result["acquisition"]["slices"] == 3 { "supplied" } else { "automatic" };
        assert_eq!(result["roi"]["method"], expected);
    }
}
