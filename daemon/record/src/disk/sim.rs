//! A disk in memory that fails when told to and forgets what was not synced.
//!
//! Every file has what was written and what is safe; every folder has the names seen and the names safe. An
//! operation can be made to fail, once or from then on. A crash keeps what is safe and, by its policy, none,
//! all or the front half of the rest.

use std::collections::BTreeMap;
use std::io::{self, Cursor, Read, Write};
use std::path::{Component, Path};
use std::sync::{Arc, Mutex, MutexGuard};

use super::{Disk, DiskFile, Listed, Lock};

type Names = BTreeMap<String, usize>;

#[derive(Clone)]
enum Node {
    File { seen: Vec<u8>, safe: Vec<u8>, poisoned: bool },
    Folder { seen: Names, safe: Names },
}

/// When operations fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fault {
    Never,
    /// The operation of this number fails, the ones after it work.
    Once(u64),
    /// The operation of this number fails, and all after it.
    From(u64),
}

/// What of the unsafe a crash keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Keep {
    Nothing,
    Half,
    Everything,
}

#[derive(Clone)]
struct State {
    nodes: Vec<Node>,
    operations: u64,
    fault: Fault,
    locks: std::collections::BTreeSet<String>,
}

/// The disk; clones are the same disk.
#[derive(Clone)]
pub(crate) struct SimDisk(Arc<Mutex<State>>);

fn missing() -> io::Error {
    io::Error::from(io::ErrorKind::NotFound)
}

impl SimDisk {
    pub(crate) fn new(fault: Fault) -> Self {
        let root = Node::Folder { seen: Names::new(), safe: Names::new() };
        let locks = std::collections::BTreeSet::new();
        Self(Arc::new(Mutex::new(State { nodes: vec![root], operations: 0, fault, locks })))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap()
    }

    /// How many operations were asked for that can fail.
    pub(crate) fn operations(&self) -> u64 {
        self.state().operations
    }

    /// The disk as the machine finds it after the power came back.
    pub(crate) fn crash(&self, keep: Keep, fault: Fault) -> Self {
        let mut state = self.state().clone();
        for node in &mut state.nodes {
            match node {
                Node::File { seen, safe, poisoned } => {
                    let more = match keep {
                        Keep::Nothing => 0,
                        Keep::Half => seen.len().saturating_sub(safe.len()).div_ceil(2),
                        Keep::Everything => seen.len().saturating_sub(safe.len()),
                    };
                    if !*poisoned {
                        safe.extend_from_slice(&seen[safe.len()..][..more]);
                    }
                    *seen = safe.clone();
                    *poisoned = false;
                }
                Node::Folder { seen, safe } => {
                    if keep == Keep::Nothing {
                        *seen = safe.clone();
                    } else {
                        *safe = seen.clone();
                    }
                }
            }
        }
        (state.operations, state.fault) = (0, fault);
        state.locks.clear();
        Self(Arc::new(Mutex::new(state)))
    }

    /// Every file below a folder, as seen, by its path from there.
    pub(crate) fn files(&self, path: &Path) -> BTreeMap<String, Vec<u8>> {
        fn walk(state: &State, node: usize, at: &str, found: &mut BTreeMap<String, Vec<u8>>) {
            match &state.nodes[node] {
                Node::File { seen, .. } => {
                    found.insert(at.to_owned(), seen.clone());
                }
                Node::Folder { seen, .. } => {
                    for (name, node) in seen {
                        let at = if at.is_empty() { name.clone() } else { format!("{at}/{name}") };
                        walk(state, *node, &at, found);
                    }
                }
            }
        }
        let state = self.state();
        let mut found = BTreeMap::new();
        if let Ok(node) = state.find(path) {
            walk(&state, node, "", &mut found);
        }
        found
    }
}

impl State {
    fn find(&self, path: &Path) -> io::Result<usize> {
        let mut node = 0;
        for part in path.components() {
            let Component::Normal(name) = part else { continue };
            let Node::Folder { seen, .. } = &self.nodes[node] else { return Err(missing()) };
            node = *seen.get(name.to_str().unwrap()).ok_or_else(missing)?;
        }
        Ok(node)
    }

    fn names(&mut self, path: &Path) -> io::Result<(&mut Names, String)> {
        let name = path.file_name().unwrap().to_str().unwrap().to_owned();
        let parent = self.find(path.parent().unwrap())?;
        match &mut self.nodes[parent] {
            Node::Folder { seen, .. } => Ok((seen, name)),
            Node::File { .. } => Err(missing()),
        }
    }

    fn add(&mut self, path: &Path, node: Node) -> io::Result<usize> {
        let number = self.nodes.len();
        let (names, name) = self.names(path)?;
        names.insert(name, number);
        self.nodes.push(node);
        Ok(number)
    }

    /// Counts an operation and says whether it must fail.
    fn operate(&mut self) -> io::Result<()> {
        let number = self.operations;
        self.operations += 1;
        let fails = match self.fault {
            Fault::Never => false,
            Fault::Once(n) => number == n,
            Fault::From(n) => number >= n,
        };
        if fails { Err(io::Error::other("the simulated disk failed")) } else { Ok(()) }
    }
}

struct SimFile {
    disk: SimDisk,
    node: usize,
}

impl Write for SimFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut state = self.disk.state();
        let allowed = state.operate();
        let Node::File { seen, .. } = &mut state.nodes[self.node] else {
            unreachable!("a file stays a file")
        };
        // A write that fails has torn: its front half is there.
        let n = if allowed.is_ok() { bytes.len() } else { bytes.len() / 2 };
        seen.extend_from_slice(&bytes[..n]);
        allowed.map(|()| n)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl DiskFile for SimFile {
    fn sync(&mut self) -> io::Result<()> {
        let mut state = self.disk.state();
        let allowed = state.operate();
        let Node::File { seen, safe, poisoned } = &mut state.nodes[self.node] else {
            unreachable!("a file stays a file")
        };
        // A disk that failed to sync has dropped the data, and says yes the next time all the same.
        *poisoned |= allowed.is_err();
        if !*poisoned {
            *safe = seen.clone();
        }
        allowed
    }
}

struct SimLock(SimDisk, String);

impl Drop for SimLock {
    fn drop(&mut self) {
        self.0.state().locks.remove(&self.1);
    }
}

impl Disk for SimDisk {
    fn create_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.operate()?;
        if state.find(path).is_ok() {
            return Ok(());
        }
        state.add(path, Node::Folder { seen: Names::new(), safe: Names::new() }).map(drop)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut state = self.state();
        state.operate()?;
        if state.find(path).is_ok() {
            return Err(io::Error::from(io::ErrorKind::AlreadyExists));
        }
        let node = state.add(path, Node::File { seen: Vec::new(), safe: Vec::new(), poisoned: false })?;
        Ok(Box::new(SimFile { disk: self.clone(), node }))
    }

    fn read(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        let mut state = self.state();
        state.operate()?;
        match &state.nodes[state.find(path)?] {
            Node::File { seen, .. } => Ok(Box::new(Cursor::new(seen.clone()))),
            Node::Folder { .. } => Err(missing()),
        }
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Listed>> {
        let mut state = self.state();
        state.operate()?;
        let Node::Folder { seen, .. } = &state.nodes[state.find(path)?] else { return Err(missing()) };
        let folder = |node: usize| matches!(state.nodes[node], Node::Folder { .. });
        Ok(seen.iter().map(|(name, node)| Listed { name: name.clone(), folder: folder(*node) }).collect())
    }

    fn exists(&self, path: &Path) -> io::Result<bool> {
        let mut state = self.state();
        state.operate()?;
        Ok(state.find(path).is_ok())
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.operate()?;
        let (names, name) = state.names(from)?;
        let node = names.remove(&name).ok_or_else(missing)?;
        let (names, name) = state.names(to)?;
        names.insert(name, node);
        Ok(())
    }

    fn remove_file(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.operate()?;
        let (names, name) = state.names(path)?;
        names.remove(&name).map(drop).ok_or_else(missing)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        self.remove_file(path)
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.operate()?;
        let folder = state.find(path)?;
        let Node::Folder { seen, safe } = &mut state.nodes[folder] else { return Err(missing()) };
        let moved_in: Vec<usize> = seen.values().copied().collect();
        *safe = seen.clone();
        // A rename is one entry in the file system's log: safe in its new place, it is gone from the old.
        for (number, node) in state.nodes.iter_mut().enumerate() {
            if let Node::Folder { safe, .. } = node
                && number != folder
            {
                safe.retain(|_, n| !moved_in.contains(n));
            }
        }
        Ok(())
    }

    fn lock(&self, path: &Path) -> io::Result<Option<Lock>> {
        let mut state = self.state();
        state.operate()?;
        let name = path.display().to_string();
        if !state.locks.insert(name.clone()) {
            return Ok(None);
        }
        if state.find(path).is_err() {
            state.add(path, Node::File { seen: Vec::new(), safe: Vec::new(), poisoned: false })?;
        }
        drop(state);
        Ok(Some(Box::new(SimLock(self.clone(), name))))
    }
}
