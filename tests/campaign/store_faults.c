/* Loaded into the daemon before the C library (LD_PRELOAD): lets writing or syncing fail while a file of that name is in
   the folder CAMPAIGN_FAULTS. SQLite writes by pwrite; Python's own files and logs do not. */
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <sys/types.h>
#include <unistd.h>

static int asked(const char *name) {
    char path[4096];
    const char *folder = getenv("CAMPAIGN_FAULTS");
    int before = errno, there = 0;
    if (folder != NULL && snprintf(path, sizeof path, "%s/%s", folder, name) < (int)sizeof path)
        there = access(path, F_OK) == 0;
    errno = before;
    return there;
}

static int refused(void) {
    if (asked("read-only")) { errno = EROFS; return 1; }
    if (asked("full")) { errno = ENOSPC; return 1; }
    return 0;
}

#define REAL(name) ((__typeof__(&name))dlsym(RTLD_NEXT, #name))

ssize_t pwrite(int fd, const void *bytes, size_t count, off_t at) { return refused() ? -1 : REAL(pwrite)(fd, bytes, count, at); }
ssize_t pwrite64(int fd, const void *bytes, size_t count, off64_t at) { return refused() ? -1 : REAL(pwrite64)(fd, bytes, count, at); }
int fsync(int fd) { if (asked("sync")) { errno = EIO; return -1; } return REAL(fsync)(fd); }
int fdatasync(int fd) { if (asked("sync")) { errno = EIO; return -1; } return REAL(fdatasync)(fd); }
