export async function open() {}
