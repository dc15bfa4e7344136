// Signs a watcher in: the token goes in the body of one request, over TLS, and is kept nowhere.
const form = document.getElementById("sign-in"), token = document.getElementById("token");

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const response = await fetch("/sign-in", {method: "POST", body: JSON.stringify({token: token.value})});
  token.value = "";
  if (response.ok) location.assign("/");
  else document.getElementById("why").textContent = (await response.json()).why;
});
