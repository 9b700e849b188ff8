//! The page at `/`.

/// Says where things are; it loads nothing and runs nothing.
pub(crate) const PAGE: &str = r#"<!doctype html>
<html lang="en">
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Holdgate</title>
<h1>Holdgate</h1>
<p>This computer serves its recorded sessions here, to programs on this computer and to nobody else. It only
reads.</p>
<dl>
<dt><a href="/v1/sessions">/v1/sessions</a></dt>
<dd>every recorded session in short, as JSON</dd>
<dt>/v1/sessions/<i>id</i></dt>
<dd>one session in full, as JSON</dd>
<dt>/v1/sessions/<i>id</i>/events</dt>
<dd>its events, one after the other, as server-sent events; add <code>?after=</code><i>number</i> for those
after an event</dd>
<dt><a href="/v1/openapi.json">/v1/openapi.json</a></dt>
<dd>all this for machines, as an OpenAPI document</dd>
</dl>
</html>
"#;
