// What every page can do beside being read: renew itself when the line changes, and
// take a curve file that is dropped on it. Without this script pages still work.
"use strict";

// renew fetches the page again and puts its parts marked data-live in place of the old.
let renewing = false, again = false;
async function renew() {
	if (renewing) { again = true; return; }
	renewing = true;
	try {
		const answer = await fetch(location.href, { headers: { Accept: "text/html", "X-Alike-Renewal": "1" } });
		if (!answer.ok) throw new Error("status " + answer.status);
		const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
		for (const old of document.querySelectorAll("[data-live]")) {
			const now = fresh.getElementById(old.id);
			if (!now || now.innerHTML === old.innerHTML) continue;
			const focus = old.contains(document.activeElement) ? document.activeElement.getAttribute("href") : null;
			const before = new Set(Array.from(old.querySelectorAll(".bits a"), a => a.getAttribute("href")));
			for (const a of now.querySelectorAll(".bits a")) {
				if (before.size && !before.has(a.getAttribute("href"))) a.classList.add("fresh");
			}
			const open = new Set(Array.from(old.querySelectorAll("details[open] > summary"), s => s.textContent));
			for (const s of now.querySelectorAll("details > summary")) s.parentElement.open = open.has(s.textContent);
			old.replaceChildren(...now.childNodes);
			if (focus) old.querySelector(`a[href="${CSS.escape(focus)}"]`)?.focus();
		}
		say("live, renewed");
		document.dispatchEvent(new Event("renewed"));
	} catch (err) {
		say("not renewed: " + err.message);
	} finally {
		renewing = false;
		if (again) { again = false; setTimeout(renew, 500); }
	}
}

function say(text) {
	const live = document.getElementById("live");
	if (live) live.textContent = text;
}

const events = document.body.dataset.events;
if (events) {
	const source = new EventSource(events);
	let opened = false;
	source.addEventListener("open", () => { say("live"); if (opened) renew(); opened = true; });
	source.addEventListener("error", () => say("not live: the server does not answer, trying again"));
	source.addEventListener("change", renew);
	addEventListener("pagehide", () => source.close());
}

// A file dropped anywhere is tried, or added where the page has a form for it.
const form = document.querySelector("form[data-drop]") || document.getElementById("drop");
if (form) {
	const shade = document.getElementById("drop");
	const holdsFiles = e => Array.from(e.dataTransfer?.types || []).includes("Files");
	let depth = 0;
	const show = on => { if (shade && form === shade) shade.hidden = !on; else form.classList.toggle("over", on); };
	addEventListener("dragenter", e => { if (holdsFiles(e)) { depth++; show(true); } });
	addEventListener("dragleave", e => { if (holdsFiles(e) && --depth <= 0) { depth = 0; show(false); } });
	addEventListener("dragover", e => { if (holdsFiles(e)) e.preventDefault(); });
	addEventListener("drop", e => {
		if (!holdsFiles(e)) return;
		e.preventDefault();
		depth = 0;
		show(false);
		const input = form.querySelector("input[type=file]");
		const files = new DataTransfer();
		for (const f of e.dataTransfer.files) {
			files.items.add(f);
			if (!input.multiple) break;
		}
		input.files = files.files;
		if (form === shade || form.dataset.drop === "send") form.requestSubmit();
		else input.dispatchEvent(new Event("change", { bubbles: true }));
	});
}
