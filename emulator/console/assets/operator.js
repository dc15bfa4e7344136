// The operator's side of the page: every request is signed with the token, which never leaves the page.

const TOPIC = "live page";
const HERE_MS = 1000;

async function codeOf(token, body) {
  const bytes = new TextEncoder();
  const key = await crypto.subtle.importKey("raw", bytes.encode(token), {name: "HMAC", hash: "SHA-256"}, false, ["sign"]);
  const code = await crypto.subtle.sign("HMAC", key, bytes.encode(body));
  return [...new Uint8Array(code)].map((b) => b.toString(16).padStart(2, "0")).join("");
}

async function posted(address, body) {
  try {
    const response = await fetch(address, {method: "POST", body});
    return await response.json();
  } catch {
    return {done: false, why: "the bench's service did not answer"};
  }
}

export const stopRide = () => posted("/stop", "{}");

export class Operator {
  // changed is called with true or false when this page becomes the operator's, or is not any more
  constructor(changed) {
    this.changed = changed;
    this.token = "";
    this.seat = null;
    setInterval(() => this.here(), HERE_MS);
  }

  async ask(command) {
    const challenge = await (await fetch("/challenge")).json();
    const id = crypto.randomUUID();
    const body = JSON.stringify({...challenge, topic: TOPIC, command, id, ...(this.seat ? {seat: this.seat} : {})});
    return posted("/operator", body + "\n" + (await codeOf(this.token, body)));
  }

  async operate(token) {
    if (!token) return {done: false, why: "type the operator's token first"};
    this.token = token;
    const answer = await this.ask("operate");
    if (answer.seat) this.set(answer.seat);
    return answer;
  }

  async leave() {
    const answer = await posted("/operator/leave", JSON.stringify({seat: this.seat}));
    this.set(null);
    return answer;
  }

  async here() {
    if (!this.seat) return;
    const answer = await posted("/operator/here", JSON.stringify({seat: this.seat}));
    if (!answer.done && answer.why.includes("not the operator")) this.set(null);
  }

  set(seat) {
    this.seat = seat;
    if (!seat) this.token = "";
    this.changed(Boolean(seat));
  }
}
