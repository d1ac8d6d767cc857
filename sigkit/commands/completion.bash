# Tab completion of sigkit in bash: eval "$(sigkit completion bash)"
_sigkit() {
  local line kind begun i IFS=$' \t\n'
  local -a words=()
  # bash takes NAME=VALUE for three words
  for ((i = 1; i <= COMP_CWORD; i++)); do
    if [[ ${COMP_WORDS[i]} == = || (i -gt 1 && ${COMP_WORDS[i-1]} == =) ]]; then
      words[${#words[@]}-1]+=${COMP_WORDS[i]}
    else
      words+=("${COMP_WORDS[i]//\\ / }")
    fi
  done
  begun=${COMP_WORDS[COMP_CWORD]}
  COMPREPLY=()
  {
    IFS= read -r kind
    case $kind in
      files | folders)
        compopt -o filenames 2>/dev/null
        [[ $kind == files ]] && set -- -f || set -- -d
        while IFS= read -r line; do COMPREPLY+=("$line"); done < <(compgen "$1" -- "$begun")
        ;;
      words)
        while IFS= read -r line; do
          [[ $line == *= ]] && compopt -o nospace 2>/dev/null
          COMPREPLY+=("$line")
        done
        ;;
    esac
  } < <(sigkit completion words -- "${words[@]}" 2>/dev/null)
}
complete -F _sigkit sigkit
