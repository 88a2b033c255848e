//! Source files as the parser sees them, without what is only compiled for tests.

use std::fs;
use std::path::Path;
use syn::{Attribute, ImplItem, Item, TraitItem};

/// Where code that ships stands.
const SHIPS: [&str; 5] =
    ["rules/time/src", "rules/forecast/src", "rules/src", "agent/fleet/src", "agent/src"];

/// One file that ships.
pub struct File {
    /// Its path in the repository.
    pub name: String,
    /// Lines before its test module.
    pub lines: usize,
    /// What it declares, without its tests.
    pub items: Vec<Item>,
}

/// All files that ship below `root`, by name. A folder of before the crates were parted may be
/// missing.
pub fn read(root: &Path) -> Result<Vec<File>, String> {
    let mut files = Vec::new();
    for folder in SHIPS.iter().map(|folder| root.join(folder)).filter(|folder| folder.exists()) {
        walk(root, &folder, &mut files)?;
    }
    if files.is_empty() {
        return Err(format!("{}: no source is here", root.display()));
    }
    files.sort_by(|a, b| a.name.cmp(&b.name));
    Ok(files)
}

fn walk(root: &Path, folder: &Path, files: &mut Vec<File>) -> Result<(), String> {
    let entries = fs::read_dir(folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    for entry in entries.flatten() {
        let path = entry.path();
        let test = path.file_stem().is_some_and(|stem| stem == "tests");
        match path.is_dir() {
            _ if test => {}
            true => walk(root, &path, files)?,
            false if path.extension().is_some_and(|end| end == "rs") => files.push(file(root, &path)?),
            false => {}
        }
    }
    Ok(())
}

fn file(root: &Path, path: &Path) -> Result<File, String> {
    let name = path.strip_prefix(root).unwrap_or(path).display().to_string();
    let text = fs::read_to_string(path).map_err(|error| format!("{name}: {error}"))?;
    let parsed = syn::parse_file(&text).map_err(|error| format!("{name}: {error}"))?;
    let end = text.find("#[cfg(test)]\nmod tests").unwrap_or(text.len());
    let lines = text.get(..end).unwrap_or(&text).lines().count();
    let items = parsed.items.into_iter().filter(|item| !only_for_tests(attributes(item))).collect();
    Ok(File { name, lines, items })
}

impl File {
    /// Whether it is `folder` itself, as a file, or stands below it.
    pub fn below(&self, folder: &str) -> bool {
        self.name.strip_prefix(folder).is_some_and(|rest| rest == ".rs" || rest.starts_with('/'))
    }

    /// Each function's length in lines, with file and name.
    pub fn functions(&self) -> Vec<(usize, String)> {
        let mut found = Vec::new();
        let mut add = |name: &syn::Ident, block: &syn::Block| {
            let braces = block.brace_token.span;
            let lines = braces.close().end().line + 1 - braces.open().start().line;
            found.push((lines, format!("{} {name}", self.name)));
        };
        for item in &self.items {
            match item {
                Item::Fn(function) => add(&function.sig.ident, &function.block),
                Item::Impl(block) => {
                    for item in &block.items {
                        if let ImplItem::Fn(function) = item {
                            add(&function.sig.ident, &function.block);
                        }
                    }
                }
                Item::Trait(declared) => {
                    for item in &declared.items {
                        if let TraitItem::Fn(function) = item
                            && let Some(block) = &function.default
                        {
                            add(&function.sig.ident, block);
                        }
                    }
                }
                _ => {}
            }
        }
        found
    }

    /// How many functions stand in blocks `impl NAME`; what a trait asks for does not count.
    pub fn methods_on(&self, name: &str) -> usize {
        let blocks = self.items.iter().filter_map(|item| match item {
            Item::Impl(block) if block.trait_.is_none() => Some(block),
            _ => None,
        });
        blocks
            .filter(|block| type_names(&block.self_ty).first().is_some_and(|first| first == name))
            .flat_map(|block| &block.items)
            .filter(|item| matches!(item, ImplItem::Fn(_)))
            .count()
    }
}

/// All names in a type, outermost first: `Vec<Watch>` is `Vec`, `Watch`.
pub(super) fn type_names(ty: &syn::Type) -> Vec<String> {
    use syn::visit::Visit;
    struct Names(Vec<String>);
    impl<'ast> Visit<'ast> for Names {
        fn visit_path(&mut self, path: &'ast syn::Path) {
            self.0.extend(path.segments.last().map(|segment| segment.ident.to_string()));
            syn::visit::visit_path(self, path);
        }
    }
    let mut names = Names(Vec::new());
    names.visit_type(ty);
    names.0
}

fn attributes(item: &Item) -> &[Attribute] {
    match item {
        Item::Fn(item) => &item.attrs,
        Item::Impl(item) => &item.attrs,
        Item::Mod(item) => &item.attrs,
        Item::Struct(item) => &item.attrs,
        Item::Enum(item) => &item.attrs,
        Item::Use(item) => &item.attrs,
        Item::Const(item) => &item.attrs,
        _ => &[],
    }
}

fn only_for_tests(attributes: &[Attribute]) -> bool {
    attributes.iter().any(|attribute| {
        attribute.path().is_ident("cfg")
            && attribute.parse_args::<syn::Ident>().is_ok_and(|condition| condition == "test")
    })
}
