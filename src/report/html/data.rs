//! Files inside the page: links that hold what they give.

use super::write::Html;
use base64::Engine;
use base64::engine::general_purpose::STANDARD;
use flate2::{Compression, GzBuilder};
use std::io::Write;

/// A file that the page gives out.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Download {
    /// Name under which it is saved, without a folder.
    pub name: String,
    /// What it is, for the reader.
    pub what: String,
    /// Content.
    pub content: String,
}

/// Texts longer than this are packed: the page must stay small, bytes.
const PACKED_FROM: usize = 2_000;

/// Writes a link that holds the file. Long ones are packed (gzip); the page's script unpacks them
/// on the way, and without scripts they are saved as they are, `.gz`. `class` is for the script.
pub fn link(out: &mut Html, file: &Download, class: &str) {
    let kind = match file.name.rsplit_once('.').map(|(_, ending)| ending) {
        Some("csv") => "text/csv",
        Some("json") => "application/json",
        Some("svg") => "image/svg+xml",
        _ => "text/plain",
    };
    let packed = (file.content.len() >= PACKED_FROM).then(|| gzip(file.content.as_bytes()));
    let (address, name, note) = match packed.flatten() {
        Some(bytes) => {
            let text = STANDARD.encode(bytes);
            (format!("data:application/gzip;base64,{text}"), format!("{}.gz", file.name), true)
        }
        None => {
            let text = STANDARD.encode(&file.content);
            (format!("data:{kind};charset=utf-8;base64,{text}"), file.name.clone(), false)
        }
    };
    let mut attributes = vec![("href", address.as_str()), ("download", name.as_str())];
    if note {
        attributes.extend([("data-plain", file.name.as_str()), ("data-kind", kind)]);
    }
    if !class.is_empty() {
        attributes.push(("class", class));
    }
    out.element("a", &attributes, &format!("{} ({name})", file.what));
}

/// The bytes packed, without name and time, so that the same input gives the same bytes.
fn gzip(bytes: &[u8]) -> Option<Vec<u8>> {
    let mut packer = GzBuilder::new().mtime(0).write(Vec::new(), Compression::best());
    packer.write_all(bytes).and_then(|()| packer.finish()).ok()
}

/// Several links as a list under a heading for those who cannot see that they belong together.
pub fn links(out: &mut Html, label: &str, files: &[(&Download, &str)]) {
    if files.is_empty() {
        return;
    }
    out.open("ul", &[("class", "files"), ("aria-label", label)]);
    for (file, class) in files {
        out.open("li", &[]);
        link(out, file, class);
        out.close("li");
    }
    out.close("ul");
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::io::Read;

    fn address(content: &str) -> String {
        let mut out = Html::default();
        let name = "a.csv".to_string();
        link(&mut out, &Download { name, what: "x".into(), content: content.into() }, "");
        let text = out.into_text();
        text.split('"').nth(1).unwrap().to_string()
    }

    #[test]
    fn short_files_come_back_as_they_were() {
        let text = "item,\"</script>\"\nµ,#%\n";
        let a = address(text);
        let (head, body) = a.split_once(',').unwrap();
        assert_eq!(head, "data:text/csv;charset=utf-8;base64");
        assert_eq!(STANDARD.decode(body).unwrap(), text.as_bytes());
    }

    #[test]
    fn long_files_come_back_unpacked_and_are_the_same_each_time() {
        let text = "300.1,1234,good\n".repeat(2000);
        let a = address(&text);
        assert_eq!(a, address(&text));
        let bytes = STANDARD.decode(a.split_once(',').unwrap().1).unwrap();
        let mut back = String::new();
        flate2::read::GzDecoder::new(&bytes[..]).read_to_string(&mut back).unwrap();
        assert_eq!(back, text);
    }
}
