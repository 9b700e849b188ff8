//! A disk in memory that fails when told to and forgets what was not synced.
//!
//! Every file has what was written and what is safe; every folder has the names seen and the names safe. An
//! operation can be made to fail, once or from then on, or the disk to be full or read-only from then on. A crash keeps
//! what is safe and, by its policy, something of the rest.

use std::collections::{BTreeMap, BTreeSet};
use std::hash::{DefaultHasher, Hash, Hasher};
use std::io::{self, Cursor, Read, Write};
use std::path::{Component, Path};
use std::sync::{Arc, Mutex, MutexGuard};

use super::{Disk, DiskFile, Listed, Lock, Thing};

type Names = BTreeMap<String, usize>;

#[derive(Clone)]
enum Node {
    File(File),
    Folder { seen: Names, safe: Names },
}

#[derive(Clone, Default, Hash)]
struct File {
    seen: Vec<u8>,
    safe: Vec<u8>,
    /// Lengths of the writes since the last sync.
    unsafe_writes: Vec<usize>,
    poisoned: bool,
}

/// When operations fail.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Fault {
    Never,
    /// The operation of this number fails, the ones after it work.
    Once(u64),
    /// The operation of this number fails, and all after it.
    From(u64),
    /// From the operation of this number on there is no room: what would need some fails, and a write leaves its front half.
    Full(u64),
    /// From the operation of this number on nothing can be changed.
    ReadOnly(u64),
}

/// What of the unsafe a crash keeps.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Keep {
    Nothing,
    /// The front half of every file's bytes, and all names.
    Half,
    /// All names, and no bytes.
    Names,
    /// All names; of every file the later writes, with zeros where the first one was.
    Later,
    Everything,
    /// Only the program ended: everything is seen, and as unsafe as it was.
    Program,
}

/// What an operation does.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Doing {
    Looking,
    Growing,
    Changing,
}

#[derive(Clone)]
struct State {
    nodes: Vec<Node>,
    operations: u64,
    fault: Fault,
    locks: BTreeSet<String>,
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
        Self(Arc::new(Mutex::new(State { nodes: vec![root], operations: 0, fault, locks: BTreeSet::new() })))
    }

    fn state(&self) -> MutexGuard<'_, State> {
        self.0.lock().unwrap()
    }

    /// How many operations were asked for that can fail.
    pub(crate) fn operations(&self) -> u64 {
        self.state().operations
    }

    /// Has operations fail from now on as told, counted from now.
    pub(crate) fn set_fault(&self, fault: Fault) {
        let mut state = self.state();
        (state.operations, state.fault) = (0, fault);
    }

    /// The disk as the machine finds it after the power came back.
    pub(crate) fn crash(&self, keep: Keep, fault: Fault) -> Self {
        let mut state = self.state().clone();
        if keep != Keep::Program {
            for node in &mut state.nodes {
                match node {
                    Node::File(file) => file.crash(keep),
                    Node::Folder { seen, safe } if keep == Keep::Nothing => seen.clone_from(safe),
                    Node::Folder { seen, safe } => safe.clone_from(seen),
                }
            }
        }
        (state.operations, state.fault) = (0, fault);
        state.locks.clear();
        Self(Arc::new(Mutex::new(state)))
    }

    /// A digest of everything that can be seen or may be kept: two disks with the same go on alike.
    pub(crate) fn digest(&self) -> u64 {
        let mut hasher = DefaultHasher::new();
        self.state().digest(0, &mut hasher);
        hasher.finish()
    }

    /// Every file below a folder, as seen, by its path from there.
    pub(crate) fn files(&self, path: &Path) -> BTreeMap<String, Vec<u8>> {
        fn walk(state: &State, node: usize, at: &str, found: &mut BTreeMap<String, Vec<u8>>) {
            match &state.nodes[node] {
                Node::File(file) => {
                    found.insert(at.to_owned(), file.seen.clone());
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

impl File {
    fn crash(&mut self, keep: Keep) {
        let fresh = self.seen.len() - self.safe.len();
        let first = self.unsafe_writes.first().copied().unwrap_or(0);
        let mut kept = self.seen[self.safe.len()..].to_vec();
        match keep {
            _ if self.poisoned => kept.clear(),
            Keep::Nothing | Keep::Names => kept.clear(),
            Keep::Half => kept.truncate(fresh.div_ceil(2)),
            // A single write of many pages is not kept in their order either.
            Keep::Later if self.unsafe_writes.len() == 1 => kept[..first.div_ceil(2)].fill(0),
            Keep::Later => kept[..first].fill(0),
            Keep::Everything | Keep::Program => {}
        }
        self.safe.extend_from_slice(&kept);
        self.seen.clone_from(&self.safe);
        self.unsafe_writes.clear();
        self.poisoned = false;
    }
}

impl State {
    fn digest(&self, node: usize, hasher: &mut DefaultHasher) {
        match &self.nodes[node] {
            Node::File(file) => file.hash(hasher),
            Node::Folder { seen, safe } => {
                for names in [Some(seen), (seen != safe).then_some(safe)] {
                    names.map(BTreeMap::len).hash(hasher);
                    for (name, node) in names.into_iter().flatten() {
                        name.hash(hasher);
                        self.digest(*node, hasher);
                    }
                }
            }
        }
    }

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
            Node::File(_) => Err(missing()),
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
    fn operate(&mut self, doing: Doing) -> io::Result<()> {
        let number = self.operations;
        self.operations += 1;
        let why = match self.fault {
            Fault::Once(n) if number == n => io::Error::other("the simulated disk failed"),
            Fault::From(n) if number >= n => io::Error::other("the simulated disk failed"),
            Fault::Full(n) if number >= n && doing == Doing::Growing => io::ErrorKind::StorageFull.into(),
            Fault::ReadOnly(n) if number >= n && doing != Doing::Looking => {
                io::ErrorKind::ReadOnlyFilesystem.into()
            }
            _ => return Ok(()),
        };
        Err(why)
    }

    fn file(&mut self, node: usize) -> &mut File {
        let Node::File(file) = &mut self.nodes[node] else { unreachable!("a file stays a file") };
        file
    }
}

struct SimFile {
    disk: SimDisk,
    node: usize,
}

impl Write for SimFile {
    fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
        let mut state = self.disk.state();
        let allowed = state.operate(Doing::Growing);
        // A write that fails has torn: its front half is there.
        let n = match &allowed {
            Ok(()) => bytes.len(),
            Err(e) if e.kind() == io::ErrorKind::ReadOnlyFilesystem => 0,
            Err(_) => bytes.len() / 2,
        };
        let file = state.file(self.node);
        file.seen.extend_from_slice(&bytes[..n]);
        file.unsafe_writes.extend((n > 0).then_some(n));
        allowed.map(|()| n)
    }

    fn flush(&mut self) -> io::Result<()> {
        Ok(())
    }
}

impl DiskFile for SimFile {
    fn sync(&mut self) -> io::Result<()> {
        let mut state = self.disk.state();
        let allowed = state.operate(Doing::Changing);
        let file = state.file(self.node);
        // A disk that failed to sync has dropped the data, and says yes the next time all the same.
        file.poisoned |= allowed.is_err();
        if !file.poisoned {
            file.safe.clone_from(&file.seen);
            file.unsafe_writes.clear();
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
        state.operate(Doing::Growing)?;
        if state.find(path).is_ok() {
            return Ok(());
        }
        state.add(path, Node::Folder { seen: Names::new(), safe: Names::new() }).map(drop)
    }

    fn create(&self, path: &Path) -> io::Result<Box<dyn DiskFile>> {
        let mut state = self.state();
        state.operate(Doing::Growing)?;
        if state.find(path).is_ok() {
            return Err(io::Error::from(io::ErrorKind::AlreadyExists));
        }
        let node = state.add(path, Node::File(File::default()))?;
        Ok(Box::new(SimFile { disk: self.clone(), node }))
    }

    fn read(&self, path: &Path) -> io::Result<Box<dyn Read>> {
        let mut state = self.state();
        state.operate(Doing::Looking)?;
        match &state.nodes[state.find(path)?] {
            Node::File(file) => Ok(Box::new(Cursor::new(file.seen.clone()))),
            Node::Folder { .. } => Err(missing()),
        }
    }

    fn list(&self, path: &Path) -> io::Result<Vec<Listed>> {
        let mut state = self.state();
        state.operate(Doing::Looking)?;
        let Node::Folder { seen, .. } = &state.nodes[state.find(path)?] else { return Err(missing()) };
        let folder = |node: usize| matches!(state.nodes[node], Node::Folder { .. });
        Ok(seen.iter().map(|(name, node)| Listed { name: name.clone(), folder: folder(*node) }).collect())
    }

    fn look(&self, path: &Path) -> io::Result<Option<Thing>> {
        let mut state = self.state();
        state.operate(Doing::Looking)?;
        Ok(state.find(path).ok().map(|node| match state.nodes[node] {
            Node::File(_) => Thing::File,
            Node::Folder { .. } => Thing::Folder,
        }))
    }

    fn rename(&self, from: &Path, to: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.operate(Doing::Changing)?;
        let (names, name) = state.names(from)?;
        let node = names.remove(&name).ok_or_else(missing)?;
        let (names, name) = state.names(to)?;
        names.insert(name, node);
        Ok(())
    }

    fn remove_file(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.operate(Doing::Changing)?;
        let (names, name) = state.names(path)?;
        names.remove(&name).map(drop).ok_or_else(missing)
    }

    fn remove_folder(&self, path: &Path) -> io::Result<()> {
        // One thing after the other, as a file system does it: a crash may come between any two.
        for one in self.list(path)? {
            let within = path.join(one.name);
            if one.folder { self.remove_folder(&within)? } else { self.remove_file(&within)? }
        }
        self.remove_file(path)
    }

    fn sync_folder(&self, path: &Path) -> io::Result<()> {
        let mut state = self.state();
        state.operate(Doing::Changing)?;
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
        state.operate(Doing::Growing)?;
        let name = path.display().to_string();
        if !state.locks.insert(name.clone()) {
            return Ok(None);
        }
        if state.find(path).is_err() {
            state.add(path, Node::File(File::default()))?;
        }
        drop(state);
        Ok(Some(Box::new(SimLock(self.clone(), name))))
    }
}
