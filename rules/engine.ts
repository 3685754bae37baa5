/** Changes whenever the same inputs could give other events. Stands in every state and event that is kept. */
export const ENGINE_VERSION = '1'
