//! The codes on labels, read back by a reader that had no part in making them.

use std::io::Read as _;

use end_to_end::System;
use serde_json::json;

use crate::release::at;
use crate::release_labels::labelled;

/// Pixels of a module's side; more than one, as a camera sees it.
const SCALE: usize = 4;
/// Light modules around the code, as the standard asks for.
const QUIET: usize = 4;

/// Dark modules of a code by column and row, counted from the top left.
type Modules = Vec<(usize, usize)>;

/// What a picture of these modules says.
fn read(modules: &Modules) -> String {
    let side = 1 + modules
        .iter()
        .map(|(x, y)| *x.max(y))
        .max()
        .expect("modules");
    let pixels = (side + 2 * QUIET) * SCALE;
    let mut picture = vec![255_u8; pixels * pixels];
    for (x, y) in modules {
        for dy in 0..SCALE {
            for dx in 0..SCALE {
                let (px, py) = ((x + QUIET) * SCALE + dx, (y + QUIET) * SCALE + dy);
                picture[py * pixels + px] = 0;
            }
        }
    }
    let mut prepared =
        rqrr::PreparedImage::prepare_from_greyscale(pixels, pixels, |x, y| picture[y * pixels + x]);
    let grids = prepared.detect_grids();
    let [grid] = grids.as_slice() else {
        panic!("one code in the picture, not {}", grids.len());
    };
    grid.decode().expect("a code that can be read").1
}

/// Numbers in a text, whatever stands between them.
fn numbers(text: &str) -> Vec<f64> {
    text.split(|c: char| !(c.is_ascii_digit() || c == '.' || c == '-'))
        .filter_map(|number| number.parse().ok())
        .collect()
}

/// Modules of an SVG whose path is of squares, each begun with `M`.
fn of_svg(svg: &str) -> Modules {
    let path = svg.split(" d=\"").nth(1).expect("a path");
    let path = path.split('"').next().expect("the path's end");
    let squares: Vec<Vec<f64>> = path.split('M').skip(1).map(numbers).collect();
    let unit = squares[0][2];
    let least = |place: usize| {
        let all = squares.iter().map(|square| square[place]);
        all.fold(f64::MAX, f64::min)
    };
    let (left, top) = (least(0), least(1));
    squares
        .iter()
        .map(|square| {
            assert_eq!(square[2], unit, "squares of one size");
            let at = |value: f64| (value / unit).round() as usize;
            (at(square[0] - left), at(square[1] - top))
        })
        .collect()
}

/// Modules of the code on the first page of a PDF: rectangles of whole modules, filled between
/// `cm` and `Q`, counted from the bottom.
fn of_pdf(pdf: &[u8]) -> Modules {
    let start = pdf
        .windows(7)
        .position(|window| window == b"stream\n")
        .expect("a stream");
    let mut content = Vec::new();
    flate2::read::ZlibDecoder::new(&pdf[start + 7..])
        .read_to_end(&mut content)
        .expect("deflated content");
    let content = String::from_utf8_lossy(&content).into_owned();
    let code = content.split(" cm\n").nth(1).expect("a code");
    let code = code.split("\nQ").next().expect("the code's end");
    let runs: Vec<Vec<f64>> = code
        .lines()
        .filter_map(|line| line.strip_suffix(" re"))
        .map(numbers)
        .collect();
    let rows = 1 + runs.iter().map(|run| run[1] as usize).max().expect("runs");
    runs.iter()
        .flat_map(|run| {
            let (from, row, long) = (run[0] as usize, rows - 1 - run[1] as usize, run[2] as usize);
            (from..from + long).map(move |column| (column, row))
        })
        .collect()
}

#[tokio::test]
async fn the_codes_of_label_and_tag_are_read_and_lead_to_what_was_signed() {
    let system = System::start().await;
    let (_, label) = labelled(&system).await;
    let url = label["url"].as_str().expect("an address");
    let svg = label["qr_svg"].as_str().expect("a picture");
    assert_eq!(read(&of_svg(svg)), url);

    let token = label["label_token"].as_str().expect("a token");
    let sheet = at(&format!("/labels/{token}/tags.pdf?tags_n=2"));
    let tags = system.sign_in("partner_a").await.get(&sheet).await;
    assert_eq!(tags.status, 200);
    let read_url = read(&of_pdf(&tags.bytes));
    assert_eq!(read_url, url, "the tag and the label lead to one page");

    // As a telephone would: the address that was read, and nothing else.
    let anyone = system.anonymous();
    let path = read_url.strip_prefix(&system.url()).expect("our own page");
    let as_data = [("accept", "application/json")];
    let told = anyone.send("GET", path, &as_data, None).await.expect(200);
    assert_eq!(
        (
            &told["denomination"],
            &told["licensed_to"],
            &told["licensed"]
        ),
        (&json!("Velenta"), &json!("Nursery A"), &json!(true))
    );
    // A code made by another hand, with one letter of the token changed.
    let last = path.len() - 9;
    for letter in ["A", "b", "7"] {
        let mut forged = path.to_owned();
        if &forged[last..=last] == letter {
            continue;
        }
        forged.replace_range(last..=last, letter);
        let reply = anyone.send("GET", &forged, &as_data, None).await;
        assert_eq!(reply.status, 404, "{forged}");
    }
    // With a dark module out of place the reader still reads the same, or nothing.
    let mut worn = of_svg(svg);
    worn.swap_remove(worn.len() / 2);
    assert_eq!(read(&worn), url);
}
