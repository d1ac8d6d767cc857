# Tab completion of sigkit in zsh, behind compinit: eval "$(sigkit completion zsh)"
_sigkit() {
  local -a lines offered
  lines=("${(@f)$(sigkit completion words -- "${(@Q)words[2,CURRENT]}" 2>/dev/null)}")
  case $lines[1] in
    files) _files ;;
    folders) _files -/ ;;
    words)
      offered=("${(@)lines[2,-1]}")
      if [[ -n ${(M)offered:#*=} ]]; then compadd -S '' -- "${offered[@]}"
      else compadd -- "${offered[@]}"; fi
      ;;
  esac
}
compdef _sigkit sigkit
