//! Who calls whom among the files of one part.

use super::source::{File, type_names};
use std::collections::{BTreeMap, BTreeSet};
use syn::visit::{self, Visit};
use syn::{Expr, ExprMethodCall, ExprPath, ImplItem, Item, TraitItem};

/// For each file, the other files whose functions it calls.
pub(super) type Calls = BTreeMap<String, BTreeSet<String>>;

/// Which calls are counted.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub(super) enum Which {
    /// All.
    #[default]
    All,
    /// Those of methods that take `&mut self`: by them alone can one part change another, or be
    /// entered again while it is at work.
    Changing,
}

/// What the files declare, as far as a call can be told apart by it.
#[derive(Default)]
struct Declared {
    which: Which,
    /// Files that declare a method of this type and name.
    methods: BTreeMap<(String, String), BTreeSet<String>>,
    /// Files that declare a method of this name on any type.
    by_name: BTreeMap<String, BTreeSet<String>>,
    /// Files that declare a free function of this name.
    free: BTreeMap<String, BTreeSet<String>>,
    /// The names in the type of a field of a struct.
    fields: BTreeMap<(String, String), Vec<String>>,
    /// The names in what a method gives back.
    returns: BTreeMap<(String, String), Vec<String>>,
}

/// Names that the standard library's types have too: on a value of unknown type they tell nothing.
const EVERYWHERE: &[&str] = &[
    "all",
    "any",
    "apply",
    "chain",
    "clear",
    "clone",
    "contains",
    "default",
    "end",
    "entry",
    "extend",
    "filter",
    "find",
    "first",
    "fmt",
    "from",
    "get",
    "get_mut",
    "insert",
    "into",
    "is_empty",
    "iter",
    "last",
    "len",
    "map",
    "new",
    "next",
    "push",
    "remove",
    "retain",
    "set",
    "start",
    "take",
    "then",
    "to_string",
];

/// The calls between `files`.
pub(super) fn between(files: &[&File], which: Which) -> Calls {
    let mut declared = Declared { which, ..Declared::default() };
    for file in files {
        declared.add(file);
    }
    let mut calls = Calls::new();
    for file in files {
        let mut reader = Reader {
            declared: &declared,
            file: &file.name,
            of: String::new(),
            arguments: BTreeMap::new(),
            found: BTreeSet::new(),
        };
        file.items.iter().for_each(|item| reader.visit_item(item));
        reader.found.remove(&file.name);
        calls.insert(file.name.clone(), reader.found);
    }
    calls
}

/// Pairs that call each other.
pub(super) fn mutual(calls: &Calls) -> Vec<(String, String)> {
    let calls_back = |one: &str, other: &str| calls.get(other).is_some_and(|called| called.contains(one));
    let all =
        calls.iter().flat_map(|(one, called)| called.iter().map(move |other| (one.clone(), other.clone())));
    all.filter(|(one, other)| one < other && calls_back(one, other)).collect()
}

/// The largest set of files of which each reaches each by calls; one file alone if there is no
/// knot.
pub(super) fn largest_knot(calls: &Calls) -> Vec<String> {
    let reached: BTreeMap<&String, BTreeSet<&String>> =
        calls.keys().map(|file| (file, reach(calls, file))).collect();
    let reaches = |one: &String, other: &String| reached.get(one).is_some_and(|there| there.contains(other));
    let knots = calls.keys().map(|file| {
        let knot =
            calls.keys().filter(|other| *other == file || (reaches(file, other) && reaches(other, file)));
        knot.cloned().collect::<Vec<_>>()
    });
    knots.max_by_key(Vec::len).unwrap_or_default()
}

fn reach<'a>(calls: &'a Calls, from: &String) -> BTreeSet<&'a String> {
    let mut reached = BTreeSet::new();
    let mut open: Vec<&String> = calls.get(from).into_iter().flatten().collect();
    while let Some(file) = open.pop() {
        if reached.insert(file) {
            open.extend(calls.get(file).into_iter().flatten());
        }
    }
    reached
}

impl Declared {
    fn add(&mut self, file: &File) {
        for item in &file.items {
            match item {
                Item::Fn(function) if self.which == Which::All => {
                    let name = function.sig.ident.to_string();
                    self.free.entry(name).or_default().insert(file.name.clone());
                }
                Item::Struct(item) => {
                    for field in &item.fields {
                        let Some(name) = &field.ident else { continue };
                        self.fields.insert((item.ident.to_string(), name.to_string()), type_names(&field.ty));
                    }
                }
                Item::Impl(block) => {
                    let of = type_names(&block.self_ty).first().cloned().unwrap_or_default();
                    for item in &block.items {
                        if let ImplItem::Fn(function) = item {
                            self.method(file, &of, &function.sig);
                        }
                    }
                }
                Item::Trait(item) => {
                    for method in &item.items {
                        if let TraitItem::Fn(function) = method {
                            self.method(file, &item.ident.to_string(), &function.sig);
                        }
                    }
                }
                _ => {}
            }
        }
    }

    fn method(&mut self, file: &File, of: &str, signature: &syn::Signature) {
        let name = signature.ident.to_string();
        let key = (of.to_owned(), name.clone());
        let changes = signature.receiver().is_some_and(|receiver| receiver.mutability.is_some());
        if self.which == Which::All || changes {
            self.methods.entry(key.clone()).or_default().insert(file.name.clone());
            self.by_name.entry(name).or_default().insert(file.name.clone());
        }
        if let syn::ReturnType::Type(_, ty) = &signature.output {
            self.returns.insert(key, type_names(ty));
        }
    }
}

/// Reads one file's bodies.
struct Reader<'a> {
    declared: &'a Declared,
    file: &'a str,
    /// The type whose methods are being read.
    of: String,
    /// The names in the types of the present function's arguments.
    arguments: BTreeMap<String, Vec<String>>,
    found: BTreeSet<String>,
}

impl Reader<'_> {
    /// The type names that a value may have, as far as it is written.
    fn types(&self, value: &Expr) -> Vec<String> {
        match value {
            Expr::Path(path) if path.path.is_ident("self") => vec![self.of.clone()],
            Expr::Path(path) => {
                let name = path.path.get_ident().map(ToString::to_string).unwrap_or_default();
                self.arguments.get(&name).cloned().unwrap_or_default()
            }
            Expr::Field(field) => {
                let syn::Member::Named(name) = &field.member else { return Vec::new() };
                self.look(&self.declared.fields, &self.types(&field.base), &name.to_string())
            }
            Expr::Index(index) => self.types(&index.expr),
            Expr::Reference(inner) => self.types(&inner.expr),
            Expr::Paren(inner) => self.types(&inner.expr),
            Expr::Try(inner) => self.types(&inner.expr),
            Expr::MethodCall(call) => {
                let of = self.types(&call.receiver);
                let given = self.look(&self.declared.returns, &of, &call.method.to_string());
                // `self.calls.get(&id)` and the like hand on what the collection holds.
                if given.is_empty() { of } else { given }
            }
            _ => Vec::new(),
        }
    }

    fn look(
        &self,
        table: &BTreeMap<(String, String), Vec<String>>,
        types: &[String],
        name: &str,
    ) -> Vec<String> {
        let found = types.iter().find_map(|ty| table.get(&(ty.clone(), name.to_owned())));
        let names = found.cloned().unwrap_or_default();
        names.into_iter().map(|name| if name == "Self" { self.of.clone() } else { name }).collect()
    }

    fn signature(&mut self, signature: &syn::Signature) {
        self.arguments.clear();
        for argument in &signature.inputs {
            if let syn::FnArg::Typed(argument) = argument
                && let syn::Pat::Ident(name) = &*argument.pat
            {
                self.arguments.insert(name.ident.to_string(), type_names(&argument.ty));
            }
        }
    }
}

impl<'ast> Visit<'ast> for Reader<'_> {
    fn visit_item_impl(&mut self, block: &'ast syn::ItemImpl) {
        self.of = type_names(&block.self_ty).first().cloned().unwrap_or_default();
        visit::visit_item_impl(self, block);
        self.of.clear();
    }

    fn visit_impl_item_fn(&mut self, function: &'ast syn::ImplItemFn) {
        self.signature(&function.sig);
        visit::visit_impl_item_fn(self, function);
    }

    fn visit_item_fn(&mut self, function: &'ast syn::ItemFn) {
        self.signature(&function.sig);
        visit::visit_item_fn(self, function);
    }

    fn visit_expr_method_call(&mut self, call: &'ast ExprMethodCall) {
        let name = call.method.to_string();
        let types = self.types(&call.receiver);
        let told: Vec<_> =
            types.iter().filter_map(|ty| self.declared.methods.get(&(ty.clone(), name.clone()))).collect();
        match told.first() {
            Some(files) => self.found.extend(files.iter().cloned()),
            None if types.is_empty() && !EVERYWHERE.contains(&name.as_str()) => {
                if let Some(files) = self.declared.by_name.get(&name).filter(|files| files.len() == 1) {
                    self.found.extend(files.iter().cloned());
                }
            }
            None => {}
        }
        visit::visit_expr_method_call(self, call);
    }

    fn visit_expr_path(&mut self, path: &'ast ExprPath) {
        let names: Vec<String> = path.path.segments.iter().map(|segment| segment.ident.to_string()).collect();
        match names.as_slice() {
            [name] => {
                let files = self.declared.free.get(name).filter(|files| !files.contains(self.file));
                if let Some(files) = files.filter(|files| files.len() == 1) {
                    self.found.extend(files.iter().cloned());
                }
            }
            [.., of, name] => {
                let of = if of == "Self" { &self.of } else { of };
                let methods = self.declared.methods.get(&(of.clone(), name.clone()));
                let functions = self.declared.free.get(name);
                let module = |file: &&String| file.ends_with(&format!("/{of}.rs"));
                self.found.extend(methods.into_iter().flatten().cloned());
                self.found.extend(functions.into_iter().flatten().filter(module).cloned());
            }
            [] => {}
        }
        visit::visit_expr_path(self, path);
    }
}
