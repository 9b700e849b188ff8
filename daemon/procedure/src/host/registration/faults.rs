//! What a script catches when a call is refused.

use crate::host::fault::Fault;
use crate::host::registrar::Registrar;

pub(super) fn register(r: &mut Registrar<'_>) {
    r.area("refusals");
    r.named::<Fault>("refusal");
    r.getter("seen", "refusal.seen", "What was wrong, in words.", |f: &mut Fault| f.0.seen.clone());
    r.getter("cure", "refusal.cure", "What to do about it, in words.", |f: &mut Fault| f.0.cure.clone());
    r.words::<Fault>("refusal", ToString::to_string);
}
