// Requests to the server on this computer.
async function answer(response) {
  let body = {};
  try { body = await response.json(); } catch { body = { error: response.statusText }; }
  if (!response.ok) throw new Error(body.error ?? response.statusText);
  return body;
}

export async function get(name, params = {}) {
  const query = new URLSearchParams(Object.entries(params).filter(([, v]) => v !== "" && v !== null && v !== undefined));
  return answer(await fetch(`/query/${name}?${query}`));
}

export async function post(name, body = {}) {
  return answer(await fetch(`/action/${name}`, {
    method: "POST", headers: { "content-type": "application/json" }, body: JSON.stringify(body),
  }));
}
