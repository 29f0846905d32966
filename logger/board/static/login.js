// The code, by keys on the page or on a keyboard. What is typed stays here until it is sent.

const MOST = 12;
const NAME = "tallydeck-name";
const part = (id) => document.getElementById(id);
let code = "";
let waitUntilMs = 0;
let busy = false;

function show() {
  part("dots").textContent = "●".repeat(code.length);
  part("count").textContent = code.length === 1 ? "1 digit typed" : `${code.length} digits typed`;
  const waitS = Math.ceil((waitUntilMs - performance.now()) / 1000);
  part("enter").textContent = waitS > 0 ? `in ${waitS} s` : "Log in";
  part("enter").disabled = busy || waitS > 0;
}

function press(key) {
  if (key === "enter") send();
  else if (key === "back") code = code.slice(0, -1);
  else if (code.length < MOST) code += key;
  show();
}

async function send() {
  if (busy || !code || performance.now() < waitUntilMs) return;
  busy = true;
  const name = part("name").value.trim();
  let says = "";
  try {
    const answer = await fetch("/api/v1/log-in", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ code, name }),
      signal: AbortSignal.timeout(15000),
    });
    const told = await answer.json();
    if (answer.ok) {
      localStorage.setItem(NAME, name);
      location.replace("/");
      return;
    }
    says = told.code === "invalid-request" ? told.detail : `${told.detail} ${told.do}`;
    waitUntilMs = performance.now() + 1000 * (told.wait_s ?? 0);
  } catch {
    says = "No word from the daemon. Try again.";
  }
  code = "";
  busy = false;
  part("says").textContent = says;
  show();
}

async function look() {
  try {
    const me = await (await fetch("/api/v1/me", { cache: "no-store" })).json();
    if (me.logged_in && me.may_act) location.replace("/");
    part("look").hidden = me.role !== "guest";
    part("plain").hidden = me.https;
  } catch {
    part("says").textContent = "No word from the daemon.";
  }
}

part("keys").addEventListener("click", (event) => {
  const key = event.target.closest("button")?.dataset.key;
  if (key) press(key);
});
document.addEventListener("keydown", (event) => {
  if (event.ctrlKey || event.altKey || event.metaKey) return;
  const typing = event.target === part("name");
  if (event.key === "Enter" && event.target.tagName !== "BUTTON" && event.target.tagName !== "A") press("enter");
  else if (!typing && /^\d$/.test(event.key)) press(event.key);
  else if (!typing && event.key === "Backspace") press("back");
});
part("name").value = localStorage.getItem(NAME) ?? "";
setInterval(show, 250);
show();
look();
