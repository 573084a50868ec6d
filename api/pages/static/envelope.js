// Shows limits while they are typed. Without this script a button does it.
"use strict";
{
	const form = document.getElementById("envelope-form");
	const look = document.getElementById("look");
	let timer = 0, asked = 0;
	const ask = async () => {
		const mine = ++asked;
		look.setAttribute("aria-busy", "true");
		try {
			const answer = await fetch(form.dataset.look, { method: "POST", body: new URLSearchParams(new FormData(form)), headers: { Accept: "text/html" } });
			const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
			const now = fresh.getElementById("look") || fresh.getElementById("main");
			if (mine === asked && now) look.replaceChildren(...now.childNodes);
		} catch (err) {
			if (mine === asked) {
				const p = document.createElement("p");
				p.className = "wrong";
				p.textContent = "The picture could not be drawn: the server does not answer. What you typed is still here.";
				look.replaceChildren(p);
			}
		} finally {
			if (mine === asked) look.setAttribute("aria-busy", "false");
		}
	};
	form.addEventListener("input", e => {
		if (e.target.name === "reason" || e.target.name === "by") return;
		clearTimeout(timer);
		timer = setTimeout(ask, 250);
	});
}
